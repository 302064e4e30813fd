"""The sweep through voxels against closed forms and against the level-wise sections."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from canalwright.errors import OutOfRange
from canalwright.exchange.canal_mesh import write_stl
from canalwright.imaging.phantom import true_canals
from canalwright.imaging.phantom_models import root_phantom
from canalwright.instruments.standard import find_instrument
from canalwright.shaping import swept_places
from canalwright.shaping.handling import Brush, Handling, Toward
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass
from canalwright.shaping.voxel_sweep import VoxelCheck, swept_field, swept_mesh, voxel_check
from support.canals import tapered_canal


def shaped(canal, *names):
    return shape_sequence(canal, [Pass(find_instrument(name)) for name in names])


STRAIGHT = shaped(tapered_canal(apical_mm=0.2, taper_mm_per_mm=0.02), "engine-30-06")


def test_a_straight_canal_becomes_the_frustum_of_the_instrument():
    level = np.linspace(0.0, 13.0, 14)
    size = 0.30 + 0.06 * level
    frusta = np.pi / 12 * (size[:-1] ** 2 + size[:-1] * size[1:] + size[1:] ** 2)
    field = swept_field(STRAIGHT, voxel_mm=0.025)
    # Voxels on the wall count in part; the tip of 75° leaves the corner at level 0 open.
    assert field.volume_mm3(field.after_mm) == pytest.approx(frusta.sum(), rel=2e-3)


def test_the_volume_settles_with_smaller_voxels():
    volumes = []
    for voxel in (0.1, 0.05, 0.025):
        field = swept_field(STRAIGHT, voxel_mm=voxel)
        volumes.append(field.volume_mm3(field.after_mm))
    assert abs(volumes[2] - volumes[1]) < abs(volumes[1] - volumes[0])
    assert volumes[1] == pytest.approx(volumes[2], rel=2e-3)


@pytest.mark.parametrize("seed", [0, 4])
def test_levels_and_voxels_agree(seed):
    steps = shaped(
        true_canals(root_phantom(seed))["main"], "hand-15-02", "engine-25-04", "engine-35-06"
    )
    check = voxel_check(steps, voxel_mm=0.05)
    assert abs(check.difference_percent) <= 1.0
    assert abs(check.wall_min_mm - check.wall_min_by_levels_mm) <= 0.03
    assert check.agrees


@pytest.mark.parametrize("sequence", [("hand-35-02", "hand-45-02"), ("engine-25-04",)])
def test_slices_left_out_change_nothing_to_speak_of(sequence, monkeypatch):
    # At most 0.02 % of the volume, and the distance of few voxels at tips by 15 µm.
    steps = shaped(true_canals(root_phantom(5))["main"], "hand-15-02", *sequence)
    few = swept_field(steps, voxel_mm=0.05)
    monkeypatch.setattr(swept_places, "TOLERANCE_MM", -1.0)
    everything = swept_field(steps, voxel_mm=0.05)
    before = everything.volume_mm3(everything.before_mm)
    removed = everything.volume_mm3(everything.after_mm) - before
    assert few.volume_mm3(few.after_mm) - before == pytest.approx(removed, rel=2e-4)
    near = np.abs(everything.after_mm) < 0.05
    change = np.abs(few.after_mm[near] - everything.after_mm[near])
    assert change.max() <= 0.015
    assert np.mean(change > 2e-4) < 1e-3


BRUSHING = Handling(brush=Brush(Toward.OUTER, 4.0, 8.0, force_n=2.0, strokes=5))


def test_brushing_is_swept_too():
    canal = true_canals(root_phantom(2))["main"]
    passes = [Pass(find_instrument("engine-30-04"))]
    plain = voxel_check(shape_sequence(canal, passes), voxel_mm=0.05)
    brushed = voxel_check(shape_sequence(canal, passes, handling=BRUSHING), voxel_mm=0.05)
    assert brushed.agrees
    assert brushed.positions > plain.positions
    # A difference of volumes has the error of both: 1 % of either.
    more = brushed.removed_by_levels_mm3 - plain.removed_by_levels_mm3
    assert more > 0.05
    assert brushed.removed_mm3 - plain.removed_mm3 == pytest.approx(
        more, abs=0.01 * (plain.removed_mm3 + brushed.removed_mm3)
    )


def test_brushed_offsets_are_unknown_where_nothing_was_brushed():
    (step,) = shape_sequence(
        true_canals(root_phantom(2))["main"],
        [Pass(find_instrument("engine-30-04"))],
        handling=BRUSHING,
    )
    pressed = (step.level_mm > 3.999) & (step.level_mm < 8.001)
    assert np.all(np.isfinite(step.brushed_mm).all(axis=(0, 2)) == pressed)
    contact, end = step.brushed_mm[:, pressed]
    depth = np.linalg.norm(end - contact, axis=1)
    assert depth == pytest.approx(depth[0])
    assert depth[0] > 0.0


def test_the_share_done_is_told_to_its_end():
    shares = []
    voxel_check(STRAIGHT, voxel_mm=0.1, progress=shares.append)
    assert shares == sorted(shares)
    assert len(shares) > 5
    assert shares[-1] == 1.0


def test_an_unknown_root_surface_leaves_the_wall_open():
    steps = shaped(tapered_canal(outer_mm=None), "engine-30-04")
    check = voxel_check(steps, voxel_mm=0.1)
    assert np.isnan(check.wall_min_mm)


def test_the_mesh_is_closed_and_holds_the_volume(tmp_path):
    field = swept_field(STRAIGHT, voxel_mm=0.05)
    points, triangles = swept_mesh(field)
    path = write_stl(tmp_path / "canal.stl", points, triangles)
    mesh = trimesh.load(path)
    assert mesh.is_watertight
    # Flat ends fall between layers of voxels: up to half a voxel of 13 mm at either end.
    assert mesh.volume == pytest.approx(field.volume_mm3(field.after_mm), rel=0.01)


@pytest.mark.parametrize("voxel", [0.001, 0.5])
def test_voxels_out_of_range_are_refused(voxel):
    with pytest.raises(OutOfRange, match=f"{voxel:g}"):
        voxel_check(STRAIGHT, voxel_mm=voxel)


def test_no_steps_are_refused():
    with pytest.raises(OutOfRange, match="Number of steps"):
        voxel_check([])


def test_a_difference_is_told_with_both_sides():
    found = VoxelCheck(0.025, 12, 1.0, 1.05, 5.0, 0.52, 0.58, False)
    (told,) = found.cautions
    assert told.code == "LEVELS_NOT_BORNE_OUT"
    assert "1.050 mm³ by levels, 1.000 mm³ swept" in told.text
    assert "0.580 mm by levels, 0.520 mm swept" in told.text
    assert replace(found, agrees=True).cautions == ()
    unknown = replace(found, wall_min_mm=float("nan")).cautions[0].text
    assert "nan" not in unknown
