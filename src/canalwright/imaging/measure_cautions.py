"""What a reader must know about a measured canal."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.geometry.sections import directions_rad, section_area_mm2
from canalwright.imaging.free_sections import FreeSections
from canalwright.imaging.scan import Scan
from canalwright.imaging.size_profile import SizeProfile

__all__ = ["canal_cautions", "faded_below_mm"]

Floats = NDArray[np.float64]

_SOURCE = "measurement on simulated images"

# Area of one level known no better than to this share: the canal is not seen there.
_UNSEEN = 0.35
_SMALL_VOXELS = 3.0


def faded_below_mm(level_mm: Floats, profile: SizeProfile) -> float:
    """Return the level below which the canal cannot be told from noise; 0 if it is seen throughout.

    The contiguous unseen part at the apical end counts, from half a millimeter on.
    """
    seen = profile.area_sd_share < _UNSEEN
    if not seen.any():
        return float(level_mm[-1])
    first = int(np.argmax(seen))
    return float(level_mm[first]) if level_mm[first] >= 0.5 else 0.0


def canal_cautions(
    canal: Canal,
    scan: Scan,
    voxel_mm: float,
    faded_mm: float,
    resampled: bool,
    free: FreeSections,
) -> tuple[Caution, ...]:
    """Return the cautions of one measurement, most weighty first."""
    found = [
        _faded(faded_mm),
        _below_voxels(canal, voxel_mm),
        _not_elliptic(canal, free),
        _wall(canal),
    ]
    found.append(
        Caution(
            "TERMINUS_AS_CLICKED",
            "Level 0 is the point given as terminus, projected onto the centerline; it was not "
            "verified against the apical constriction or foramen.",
            "project rule",
        )
    )
    if scan.spacing_origin == "user":
        found.append(
            Caution(
                "SPACING_FROM_USER",
                "The voxel size was given by the user; every length scales with it.",
                "project rule",
            )
        )
    if resampled:
        found.append(
            Caution(
                "RESAMPLED",
                "The voxels are not cubic "
                f"({', '.join(f'{s:.3f}' for s in scan.spacing_mm)} mm along z, y, x); they were "
                "interpolated, and detail along the longest edge is lost.",
                _SOURCE,
            )
        )
    return tuple(item for item in found if item is not None)


def _faded(level_mm: float) -> Caution | None:
    if level_mm <= 0.0:
        return None
    return Caution(
        "FADED",
        f"Below the {level_mm:.1f} mm level the canal cannot be told from noise: its course and "
        "size there are interpolated, not measured.",
        _SOURCE,
    )


def _below_voxels(canal: Canal, voxel_mm: float) -> Caution | None:
    small = canal.diameter_mm < _SMALL_VOXELS * voxel_mm
    if not small.any():
        return None
    highest = float(canal.level_mm[np.flatnonzero(small)[-1]])
    return Caution(
        "BELOW_VOXELS",
        f"At levels up to {highest:.1f} mm the canal is narrower than {_SMALL_VOXELS:g} voxels of "
        f"{voxel_mm:.3f} mm: its size there comes from partial volume and rests on the gray "
        "values of dentin and lumen.",
        _SOURCE,
    )


def _not_elliptic(canal: Canal, free: FreeSections) -> Caution | None:
    if free.used.sum() < 3:
        return None
    levels = canal.level_mm[free.used]
    aspect = float(np.median((canal.wide_mm / canal.narrow_mm)[free.used]))
    round_ = float(np.median(roundness(canal.radius_mm)[free.used]))
    text = (
        f"Between the {levels[0]:.1f} and {levels[-1]:.1f} mm levels the section is no ellipse "
        f"(wide to narrow {aspect:.1f}, roundness {round_:.2f}): its area comes from the missing "
        "gray, its outline from the half level."
    )
    if not np.all(free.star_shaped[free.used]):
        text += (
            " In places part of it is hidden from the centerline: the outline is only equal in "
            "area."
        )
    return Caution("NOT_ELLIPTIC", text, _SOURCE)


def roundness(radius_mm: Floats) -> Floats:
    """Return 4π·area over the squared perimeter of polar sections: 1 for circles."""
    angle = directions_rad(radius_mm.shape[-1])
    x, y = radius_mm * np.cos(angle), radius_mm * np.sin(angle)
    edge = np.hypot(np.roll(x, -1, axis=-1) - x, np.roll(y, -1, axis=-1) - y)
    return np.asarray(4.0 * np.pi * section_area_mm2(radius_mm) / edge.sum(axis=-1) ** 2, float)


def _wall(canal: Canal) -> Caution | None:
    unknown = float(np.mean(np.isnan(canal.outer_radius_mm)))
    if unknown < 0.02:
        return None
    return Caution(
        "WALL_UNKNOWN",
        f"In {unknown:.0%} of all levels and directions no outer surface was found; the thinnest "
        "dentin is the thinnest of the rest.",
        _SOURCE,
    )
