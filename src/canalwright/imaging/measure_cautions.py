"""What a reader must know about a measured canal."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.geometry.sections import directions_rad, section_area_mm2
from canalwright.imaging.apex import ApicalExit
from canalwright.imaging.free_sections import FreeSections
from canalwright.imaging.scan import Scan

__all__ = ["canal_cautions", "estimated_cautions", "roundness", "terminus_caution"]

Floats = NDArray[np.float64]

_SOURCE = "measurement on simulated images"

# Canals of children widen toward the terminus too; a clear widening deserves a look.
_WIDENING_RATIO = 1.15
_SMALL_VOXELS = 3.0


def canal_cautions(
    canal: Canal,
    scan: Scan,
    voxel_mm: float,
    faded: list[tuple[float, float]],
    resampled: bool,
    free: FreeSections,
) -> tuple[Caution, ...]:
    """Return the cautions of one measurement, most weighty first."""
    found: list[Caution | None] = [
        *(_faded(low, high) for low, high in faded),
        _reversed(canal),
        _below_voxels(canal, voxel_mm),
        _not_elliptic(canal, free),
        _wall(canal),
    ]
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


def terminus_caution(
    apex: ApicalExit | None, moved: bool, from_mm: float, clicked_mm: Floats, canal: Canal
) -> Caution:
    """Say what level 0 is, and where the root's surface lies.

    Parameters
    ----------
    apex : ApicalExit or None
        As seen from level `from_mm`.
    moved : bool
        Whether level 0 was put on the exit.
    from_mm : float
    clicked_mm : ndarray, shape (3,)
    canal : Canal
    """
    if moved:
        away = float(np.linalg.norm(clicked_mm - canal.centerline_mm[0]))
        return Caution(
            "TERMINUS_FOUND_AGAIN",
            f"Level 0 is the canal's exit on the root's surface, {away:.2f} mm from the point "
            "given; the apical constriction commonly lies 0.5 to 1 mm coronal to it.",
            "common practice, no source",
        )
    text = (
        "Level 0 is the point given as terminus, projected onto the centerline; it was not "
        "verified against the apical constriction or foramen."
    )
    if apex is None:
        text += " No exit on the root's surface was found ahead of it."
    else:
        beyond = apex.beyond_mm - from_mm
        side = "apical" if beyond >= 0.0 else "coronal"
        text += (
            f" The root's surface was found {abs(beyond):.2f} mm {side} to it "
            f"(± {apex.sd_mm:.2f} mm)."
        )
    return Caution("TERMINUS_AS_CLICKED", text, "project rule")


def _faded(low_mm: float, high_mm: float) -> Caution:
    where = (
        f"Below the {high_mm:.1f} mm level"
        if low_mm <= 0.0
        else f"Between the {low_mm:.1f} and {high_mm:.1f} mm levels"
    )
    return Caution(
        "FADED",
        f"{where} the canal cannot be told from noise: its course and size there are "
        "interpolated, not measured.",
        _SOURCE,
    )


def estimated_cautions(level_mm: Floats, estimated: NDArray[np.bool_]) -> tuple[Caution, ...]:
    """Say at which levels the size is carried on from others, at the apical end and elsewhere."""
    measured = np.flatnonzero(~estimated)
    first = int(measured[0]) if len(measured) else len(level_mm)
    found = []
    if first > 0:
        found.append(
            Caution(
                "APICAL_END_ESTIMATED",
                f"{_levels(level_mm[:first])} the section is open to the outside of the root, or "
                "no canal fits it: the size there is carried on from the levels above, not "
                "measured. Gauge the apical size in the tooth.",
                _SOURCE,
            )
        )
    others = level_mm[first:][estimated[first:]]
    if len(others) > 0:
        found.append(
            Caution(
                "SIZE_ESTIMATED",
                f"{_levels(others)} the section has no dentin round it, or no canal fits it: the "
                "size there is carried on from neighboring levels, not measured.",
                _SOURCE,
            )
        )
    return tuple(found)


def _levels(level_mm: Floats) -> str:
    named = [f"{level:.1f}" for level in level_mm]
    if len(named) == 1:
        return f"At the {named[0]} mm level"
    return f"At the {', '.join(named[:-1])} and {named[-1]} mm levels"


def _reversed(canal: Canal) -> Caution | None:
    """Warn where the canal is clearly wider at the end called terminus."""
    third = max(len(canal.level_mm) // 3, 1)
    apical_mm = float(np.median(canal.diameter_mm[:third]))
    coronal_mm = float(np.median(canal.diameter_mm[-third:]))
    if apical_mm < _WIDENING_RATIO * coronal_mm:
        return None
    return Caution(
        "POINTS_MAY_BE_REVERSED",
        f"The third of the canal at the point given as terminus is wider ({apical_mm:.2f} mm) than "
        f"the third at the point given as orifice ({coronal_mm:.2f} mm): the orifice comes first; "
        "check the order of the two points.",
        "project rule",
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
