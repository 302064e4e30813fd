"""Proposals on simple drawn teeth: whichever way they lie, beside others, and without canals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from canalwright.errors import NotFoundInScan, NotInVolume, OutOfRange
from canalwright.imaging.propose import propose_canals
from canalwright.imaging.scan import Scan
from canalwright.imaging.tooth_mask import find_tooth

VOXEL_MM = 0.2
DENTIN, LUMEN, AROUND = 1500.0, 100.0, 300.0
CANAL_X_MM = (-1.3, 1.3)
FLOOR_MM, APEX_MM = 10.0, 1.5


def drawn(centers_mm=((5.0, 5.0),), size_mm=(10.0, 10.0, 17.0), canals=True):
    """Return a scan of upright teeth: a tapering body, a chamber, two straight canals each.

    A canal is drawn as a tube of radius 0.3 mm from the chamber (z 10 mm) to the apex (1.5 mm).
    """
    nx, ny, nz = (round(side / VOXEL_MM) for side in size_mm)
    z, y, x = np.meshgrid(*(np.arange(n) * VOXEL_MM for n in (nz, ny, nx)), indexing="ij")
    gray = np.full(z.shape, AROUND)
    for cx, cy in centers_mm:
        radius = 2.6 + 0.9 * np.clip((z - 1.5) / 10.0, 0.0, 1.0)
        body = (np.hypot(x - cx, 1.2 * (y - cy)) < radius) & (z > APEX_MM) & (z < 15.5)
        gray[body] = DENTIN
        if not canals:
            continue
        chamber = ((x - cx) / 2.2) ** 2 + ((y - cy) / 1.2) ** 2 + ((z - 11.0) / 1.2) ** 2 < 1.0
        gray[chamber] = LUMEN
        for side in CANAL_X_MM:
            tube = (np.hypot(x - cx - side, y - cy) < 0.3) & (z < 11.0) & (z > APEX_MM)
            gray[tube] = LUMEN
    image = gaussian_filter(gray, 0.6)
    image += np.random.default_rng(4).normal(0.0, 40.0, image.shape)
    return Scan(image.astype(np.float32), (VOXEL_MM,) * 3, source="drawn", invented=True)


@pytest.fixture(scope="module")
def tooth():
    return drawn()


@pytest.fixture(scope="module")
def found(tooth):
    return propose_canals(tooth)


def test_both_canals_are_found_between_floor_and_apex(found):
    assert [one.name for one in found] == ["canal-1", "canal-2"]
    for one, side in zip(found, CANAL_X_MM, strict=True):
        np.testing.assert_allclose(one.path_mm[:, 0], 5.0 + side, atol=0.2)
        np.testing.assert_allclose(one.path_mm[:, 1], 5.0, atol=0.2)
        # The ellipsoid's floor over the canal lies near z = 10; its rim is no sharp orifice.
        assert one.orifice_mm[2] == pytest.approx(FLOOR_MM, abs=0.6)
        assert one.terminus_mm[2] == pytest.approx(APEX_MM, abs=0.3)


def test_a_proposal_says_that_it_is_one(found):
    for one in found:
        codes = [caution.code for caution in one.cautions]
        assert codes == ["PROPOSED_NOT_CONFIRMED"]
        assert one.confidence.total > 0.9
        assert one.joins == ""
        assert np.isnan(one.joins_at_mm)
        assert one.length_mm == pytest.approx(
            np.linalg.norm(np.diff(one.path_mm, axis=0), axis=1).sum()
        )


@pytest.mark.parametrize(
    ("axes", "flips"), [((0, 1, 2), (1, 0, 0)), ((2, 0, 1), (0, 1, 0)), ((1, 2, 0), (1, 1, 1))]
)
def test_the_tooth_may_lie_any_way(tooth, found, axes, flips):
    voxels = tooth.voxels.transpose(axes)
    voxels = np.flip(voxels, [k for k in range(3) if flips[k]])
    turned = propose_canals(replace(tooth, voxels=np.ascontiguousarray(voxels)))

    def back(points):
        zyx = np.asarray(points)[..., ::-1] / VOXEL_MM
        last = np.array(voxels.shape) - 1
        zyx = np.where(np.array(flips, bool), last - zyx, zyx)
        upright = np.empty_like(zyx)
        upright[..., list(axes)] = zyx
        return upright[..., ::-1] * VOXEL_MM

    again = sorted((tuple(back(p.orifice_mm)), tuple(back(p.terminus_mm))) for p in turned)
    for (orifice, terminus), one in zip(again, found, strict=True):
        # Storage order decides ties in the search for a path: within a voxel.
        np.testing.assert_allclose(orifice, one.orifice_mm, atol=VOXEL_MM)
        np.testing.assert_allclose(terminus, one.terminus_mm, atol=VOXEL_MM)


def test_a_point_picks_one_of_two_touching_teeth():
    # Bodies of radius 3.5 mm whose axes are 6.8 mm apart overlap by 0.2 mm.
    scan = drawn(((5.0, 5.0), (11.8, 5.0)), (17.0, 10.0, 17.0))
    for center in (5.0, 11.8):
        picked = propose_canals(scan, seed_mm=(center, 5.0, 13.5))
        across = [float(one.path_mm[:, 0].mean()) - center for one in picked]
        np.testing.assert_allclose(across, CANAL_X_MM, atol=0.3)


def test_teeth_in_broad_contact_are_said_and_a_box_parts_them():
    """Crowns that overlap by 1.6 mm are one bright body: no rule parts them."""
    both = drawn(centers_mm=((5.0, 5.0), (10.4, 5.0)), size_mm=(15.4, 10.0, 17.0))
    for middle in (5.0, 10.4):
        picked = propose_canals(both, seed_mm=(middle, 5.0, 13.0))
        assert [abs(one.orifice_mm[0] - middle) for one in picked] == pytest.approx(
            [1.3, 1.3], abs=0.4
        )
        assert all("MAY_BE_TWO_TEETH" in [c.code for c in one.cautions] for one in picked)
    boxed = propose_canals(both, box_mm=((0.0, 0.0, 0.0), (7.7, 10.0, 17.0)))
    assert len(boxed) == 2
    assert "MAY_BE_TWO_TEETH" not in [c.code for one in boxed for c in one.cautions]


def test_a_box_picks_one_of_two_teeth():
    scan = drawn(((5.0, 5.0), (13.0, 5.0)), (18.0, 10.0, 17.0))
    picked = propose_canals(scan, box_mm=((8.8, 0.0, 0.0), (18.0, 10.0, 17.0)))
    across = [float(one.path_mm[:, 0].mean()) - 13.0 for one in picked]
    np.testing.assert_allclose(across, CANAL_X_MM, atol=0.3)


def test_inside_and_pulp_of_the_tooth(tooth):
    body = find_tooth(tooth)
    assert body.dentin == pytest.approx(DENTIN, abs=40.0)
    assert body.lumen == pytest.approx(LUMEN, abs=80.0)
    chamber = np.round(body.crop.index((5.0, 5.0, 11.0))).astype(int)[::-1]
    assert body.pulp[tuple(chamber)]
    # In the chamber's middle the nearest outer surface is 3.5 / 1.2 mm away.
    assert body.depth_mm[tuple(chamber)] == pytest.approx(3.5 / 1.2, abs=0.3)


def test_a_tooth_without_canals_is_said_to_have_none():
    with pytest.raises(NotFoundInScan, match="No dark canal"):
        propose_canals(drawn(canals=False))


def test_too_high_a_demand_leaves_none(tooth):
    faded = replace(tooth, voxels=np.where(tooth_below(tooth, 6.0), DENTIN, tooth.voxels))
    (one, _) = propose_canals(faded, minimum_confidence=0.0)
    assert "FADES_BEFORE_SURFACE" in [caution.code for caution in one.cautions]
    assert one.terminus_mm[2] == pytest.approx(6.0, abs=0.5)
    with pytest.raises(NotFoundInScan, match=r"confidence of 0\.99"):
        propose_canals(faded, minimum_confidence=0.99)


def tooth_below(scan, z_mm):
    """Voxels of the canals below a height."""
    z, y, x = (axis * VOXEL_MM for axis in np.indices(scan.shape))
    near = np.minimum(*(np.hypot(x - 5.0 - side, y - 5.0) for side in CANAL_X_MM)) < 0.8
    return near & (z < z_mm) & (z > APEX_MM + 0.4)


@pytest.mark.parametrize("value", [-0.1, 1.1, float("nan")])
def test_a_confidence_outside_0_to_1_is_refused(tooth, value):
    with pytest.raises(OutOfRange, match="inimum confidence"):
        propose_canals(tooth, minimum_confidence=value)


def test_points_outside_are_refused(tooth):
    with pytest.raises(NotInVolume, match="oint in the tooth"):
        propose_canals(tooth, seed_mm=(5.0, 5.0, 99.0))
    with pytest.raises(NotInVolume, match="ox round the tooth"):
        propose_canals(tooth, box_mm=((50.0, 0.0, 0.0), (60.0, 9.0, 9.0)))
    with pytest.raises(OutOfRange, match="coordinates of a box"):
        propose_canals(tooth, box_mm=((0.0, 0.0, 0.0), (9.0, 9.0, float("nan"))))


def test_a_point_in_air_is_no_tooth():
    scan = drawn(((5.0, 5.0),), (17.0, 10.0, 17.0))
    with pytest.raises(NotFoundInScan, match="at that point"):
        propose_canals(scan, seed_mm=(16.0, 5.0, 8.0))


@pytest.mark.parametrize("value", [float("nan"), 7.0])
def test_volumes_without_an_image_are_refused(tooth, value):
    with pytest.raises(NotFoundInScan, match="No single tooth"):
        propose_canals(replace(tooth, voxels=np.full_like(tooth.voxels, value)))


def test_noise_alone_is_no_tooth(tooth):
    noise = np.random.default_rng(9).normal(0.0, 1.0, tooth.shape).astype(np.float32)
    with pytest.raises(NotFoundInScan):
        propose_canals(replace(tooth, voxels=noise))


def sealed(depth_mm):
    """Return the drawn tooth with its canals filled up from the apex on."""
    nz = round(17.0 / VOXEL_MM)
    scan = drawn()
    z, y, x = np.meshgrid(*(np.arange(n) * VOXEL_MM for n in (nz, 50, 50)), indexing="ij")
    gray = scan.voxels.copy()
    inner = (np.hypot(x - 5.0, 1.2 * (y - 5.0)) < 2.4) & (z > APEX_MM)
    gray[inner & (z < APEX_MM + depth_mm)] = DENTIN
    return replace(scan, voxels=gray)


def test_the_end_drawn_on_to_the_surface_is_kept_apart():
    for one in propose_canals(sealed(1.1)):
        assert one.terminus_mm[2] == pytest.approx(APEX_MM, abs=0.3)
        # Smoothing carries the dark canal a little into what was filled.
        assert one.unseen_mm == pytest.approx(1.0, abs=0.3)
        (said,) = (c for c in one.cautions if c.code == "DRAWN_TO_SURFACE")
        assert f"The last {one.unseen_mm:.1f} mm" in said.text
        assert one.confidence.reaches < 1.0


def test_an_end_that_is_seen_is_not_called_drawn(found):
    assert all(one.unseen_mm <= 0.15 for one in found)


def test_a_canal_that_fades_far_from_the_surface_ends_there():
    for one in propose_canals(sealed(3.0)):
        assert one.terminus_mm[2] > APEX_MM + 1.5
        assert one.unseen_mm == 0.0
        assert "FADES_BEFORE_SURFACE" in [c.code for c in one.cautions]
