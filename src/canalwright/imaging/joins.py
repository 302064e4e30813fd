"""Canals measured together that are one space for a part of their way.

Where no dentin parts two canals, both measurements find the middle of the one space, so that their
axes fall together. What is shared there is one lumen and one wall: it must not be counted for both
canals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.geometry.sections import directions_rad

__all__ = ["Join", "joins_of", "with_joins"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Axes nearer to each other than this share of the mean narrow width are of one space; so the level
# where lumens touch was found within 0.2 mm on five phantoms at 0.125 and 0.2 mm.
_TOGETHER = 0.25

# Shorter shared stretches, and breaks in them, are noise of two centerlines.
_LEAST_MM = 0.3
# An outer surface met this near another canal's lumen is that canal's wall, not the root's.
_BESIDE_MM = 0.25


@dataclass(frozen=True, slots=True)
class Join:
    """A stretch that a canal shares with another one.

    Attributes
    ----------
    other : str
        Name of the other canal.
    level_mm : float
        Where the two become one, on this canal's level axis: the coronal end of a shared apical
        part, or the apical end of a shared coronal part.
    low_mm, high_mm : float
        The shared stretch.
    where : str
        ``"apical"`` (a common terminus), ``"coronal"`` (a common orifice) or ``"between"``.
    """

    other: str
    level_mm: float
    low_mm: float
    high_mm: float
    where: str


def joins_of(canal: Canal, others: Sequence[Canal]) -> tuple[Join, ...]:
    """Return the stretches that a canal shares with others.

    Parameters
    ----------
    canal : Canal
    others : sequence of Canal
        Measured in the same scan; the canal itself is passed over.
    """
    found: list[Join] = []
    for other in others:
        if other.name != canal.name:
            found += [_join(canal, other, run) for run in _runs(canal, _together(canal, other))]
    return tuple(sorted(found, key=lambda join: join.low_mm))


def with_joins(canals: Sequence[Canal]) -> tuple[Canal, ...]:
    """Return canals that say what they share; walls to each other's lumen are no outer surface.

    Notes
    -----
    Where dentin between two canals, or the other's lumen, was met instead of the root's surface,
    the outer radius becomes unknown. The shared stretch keeps its outer surface in every canal,
    and the caution says that it is one and the same.
    """
    return tuple(_told(canal, canals) for canal in canals)


def _told(canal: Canal, canals: Sequence[Canal]) -> Canal:
    joins = joins_of(canal, canals)
    cautions = [_caution(canal, join) for join in joins]
    masked = _facing(canal, [other for other in canals if other.name != canal.name])
    if not masked.any():
        return canal.with_cautions(*cautions)
    outer = np.where(masked, np.nan, canal.outer_radius_mm)
    levels = canal.level_mm[masked.any(axis=1)]
    cautions.append(
        Caution(
            "WALL_OF_OTHER_CANAL",
            f"Between the {levels[0]:.1f} and {levels[-1]:.1f} mm levels some directions meet "
            "another canal instead of the root's surface: their dentin is left out.",
            "project rule",
        )
    )
    return replace(canal, outer_radius_mm=outer).with_cautions(*cautions)


def _together(canal: Canal, other: Canal) -> Flags:
    """Whether the two axes fall together, for every level of the first."""
    from scipy.spatial import cKDTree

    gap, row = cKDTree(other.centerline_mm).query(canal.centerline_mm)
    width_mm = 0.5 * (canal.narrow_mm + other.narrow_mm[row])
    return np.asarray(gap < _TOGETHER * width_mm)


def _gap_and_reach(points_mm: Floats, canal: Canal) -> tuple[Floats, Floats]:
    """Distance from a canal's axis, and the lumen's radius in that direction."""
    from scipy.spatial import cKDTree

    gap, row = cKDTree(canal.centerline_mm).query(points_mm)
    tangent = np.gradient(canal.centerline_mm, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    second = np.cross(tangent, canal.direction0)
    offset = points_mm - canal.centerline_mm[row]
    x = np.sum(offset * canal.direction0[row], axis=1)
    y = np.sum(offset * second[row], axis=1)
    count = canal.radius_mm.shape[1]
    place = np.round(np.arctan2(y, x) / (2.0 * np.pi) * count).astype(int) % count
    along = np.abs(np.sum(offset * tangent[row], axis=1))
    # Beyond an end the nearest level is the end: what lies ahead of it is not in the lumen.
    past = ((row == 0) | (row == len(tangent) - 1)) & (along > _LEAST_MM)
    return np.asarray(gap, float), np.where(past, -1.0, canal.radius_mm[row, place])


def _runs(canal: Canal, one_space: Flags) -> list[tuple[int, int]]:
    """Return the first and last row of shared stretches; short breaks are closed."""
    rows = np.flatnonzero(one_space)
    if len(rows) == 0:
        return []
    breaks = np.flatnonzero(np.diff(canal.level_mm[rows]) > _LEAST_MM)
    starts = rows[np.concatenate([[0], breaks + 1])]
    ends = rows[np.concatenate([breaks, [len(rows) - 1]])]
    runs = zip(starts.tolist(), ends.tolist(), strict=True)
    last = len(canal.level_mm) - 1
    return [
        (a, b)
        for a, b in runs
        if a == 0 or b == last or canal.level_mm[b] - canal.level_mm[a] >= _LEAST_MM
    ]


def _join(canal: Canal, other: Canal, run: tuple[int, int]) -> Join:
    low, high = float(canal.level_mm[run[0]]), float(canal.level_mm[run[1]])
    if low <= _LEAST_MM:
        return Join(other.name, high, low, high, "apical")
    if high >= canal.length_mm - _LEAST_MM:
        return Join(other.name, low, low, high, "coronal")
    return Join(other.name, high, low, high, "between")


def _facing(canal: Canal, others: Sequence[Canal]) -> Flags:
    """Directions whose outer surface lies at another canal's lumen, shape (n, directions)."""
    masked = np.zeros(canal.outer_radius_mm.shape, np.bool_)
    known = np.isfinite(canal.outer_radius_mm)
    if not known.any():
        return masked
    tangent = np.gradient(canal.centerline_mm, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1)[:, None]
    second = np.cross(tangent, canal.direction0)
    angle = directions_rad(canal.outer_radius_mm.shape[1])
    ray = (
        np.cos(angle)[None, :, None] * canal.direction0[:, None]
        + np.sin(angle)[None, :, None] * second[:, None]
    )
    met = canal.centerline_mm[:, None] + np.nan_to_num(canal.outer_radius_mm)[..., None] * ray
    for other in others:
        # Where the two are one space, the surface met is the root's.
        apart = ~_together(canal, other)
        gap, reach = _gap_and_reach(met[known], other)
        beside = np.zeros_like(masked)
        beside[known] = gap < reach + _BESIDE_MM
        masked |= beside & apart[:, None]
    return masked


def _caution(canal: Canal, join: Join) -> Caution:
    shared = {
        "apical": f"Below the {join.level_mm:.1f} mm level {canal.name} and {join.other} are one "
        "canal with a common terminus",
        "coronal": f"Above the {join.level_mm:.1f} mm level {canal.name} and {join.other} are one "
        "canal with a common orifice",
        "between": f"Between the {join.low_mm:.1f} and {join.high_mm:.1f} mm levels {canal.name} "
        f"and {join.other} are one space",
    }[join.where]
    return Caution(
        "SHARES_CANAL",
        f"{shared}: lumen and dentin there are the same for both, and what is cut for one is cut "
        "for the other. Do not add them up.",
        "project rule",
    )
