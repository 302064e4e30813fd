"""How much a canal turns in all, and the bends it turns in.

The tangent is followed along the canal and simplified to straight pieces against arc length that
stay within a stated angle of it. Wiggles smaller than that angle, which noise makes everywhere,
drop out; the turning of real bends is kept whole, because along a bend the tangent goes one way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.views import in_view
from canalwright.anatomy.windowed import LocalBending, local_bending
from canalwright.geometry.points import unit_vectors

__all__ = [
    "LEAST_BEND_DEG",
    "TANGENT_WINDOW_MM",
    "WIGGLE_DEG",
    "Bend",
    "bends",
    "is_s_curve",
    "total_turning_deg",
]

Floats = NDArray[np.float64]

TANGENT_WINDOW_MM = 1.5
"""Window over which tangents are taken."""

WIGGLE_DEG = 5.0
"""Turning back and forth by less than this is taken for noise: Schneider's limit of straight."""

LEAST_BEND_DEG = 10.0
"""Least turning of a bend in its own right, the lower end of Schneider's moderate class."""


@dataclass(frozen=True, slots=True)
class Bend:
    """A stretch of canal that turns one way in a view.

    Attributes
    ----------
    turning_deg : float
        Positive where the canal turns left on the way from terminus to orifice.
    start_level_mm, end_level_mm : float
        Apical and coronal end of the stretch.
    """

    turning_deg: float
    start_level_mm: float
    end_level_mm: float


def total_turning_deg(points_mm: ArrayLike, *, window_mm: float = TANGENT_WINDOW_MM) -> float:
    """Return the total tangent turning ``∫κ ds`` in degrees, without wiggles below 5°.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2) or (n, 3)
        A view, or the canal in space; terminus first.
    window_mm : float
        Window of the tangents.

    Returns
    -------
    float
        In space never less than in any view of the same canal, up to noise.
    """
    return turning_along_deg(local_bending(points_mm, window_mm=window_mm))


def turning_along_deg(bending: LocalBending) -> float:
    """Return the total turning of a canal whose tangents are known, in degrees."""
    kept = bending.tangent[_kept(bending)]
    return float(np.degrees(np.sum(_angles_rad(kept[:-1], kept[1:]))))


def bends(
    points_mm: ArrayLike,
    view_direction: ArrayLike | None = None,
    *,
    least_deg: float = LEAST_BEND_DEG,
    window_mm: float = TANGENT_WINDOW_MM,
) -> tuple[Bend, ...]:
    """Return the bends in a view, from the terminus up.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2) or (n, 3)
        Terminus first.
    view_direction : array_like, shape (3,), optional
        By default the canal's own best plane.
    least_deg : float
        Bends that turn by less are left out.
    window_mm : float
        Window of the tangents.
    """
    bending = local_bending(in_view(points_mm, view_direction), window_mm=window_mm)
    kept = _kept(bending)
    angle = np.unwrap(np.arctan2(bending.tangent[:, 1], bending.tangent[:, 0]))
    turned = np.degrees(np.diff(angle[kept]))
    runs = _runs(turned, bending.level_mm[kept])
    return tuple(run for run in runs if abs(run.turning_deg) >= least_deg)


def is_s_curve(found: tuple[Bend, ...]) -> bool:
    """Return whether bends go both ways."""
    return len({bend.turning_deg > 0.0 for bend in found}) > 1


def _runs(turned: Floats, level: Floats) -> list[Bend]:
    runs: list[Bend] = []
    for piece, turning in enumerate(turned):
        low, high = float(level[piece]), float(level[piece + 1])
        if runs and runs[-1].turning_deg * turning > 0.0:
            last = runs.pop()
            runs.append(Bend(last.turning_deg + float(turning), last.start_level_mm, high))
        else:
            runs.append(Bend(float(turning), low, high))
    return _merged_across_pauses(runs)


def _merged_across_pauses(runs: list[Bend]) -> list[Bend]:
    """Join two bends of one sense that only a wiggle separates."""
    kept: list[Bend] = []
    for run in runs:
        if abs(run.turning_deg) < WIGGLE_DEG:
            continue
        if kept and kept[-1].turning_deg * run.turning_deg > 0.0:
            last = kept.pop()
            total = last.turning_deg + run.turning_deg
            kept.append(Bend(total, last.start_level_mm, run.end_level_mm))
        else:
            kept.append(run)
    return kept


def _kept(bending: LocalBending) -> list[int]:
    """Return the indices at which tangents are kept, by repeated splitting at the worst level."""
    count = len(bending.level_mm)
    kept, stack = {0, count - 1}, [(0, count - 1)]
    while stack:
        low, high = stack.pop()
        worst, off = _worst_between(bending, low, high)
        if off > np.radians(WIGGLE_DEG):
            kept.add(worst)
            stack += [(low, worst), (worst, high)]
    return sorted(kept)


def _worst_between(bending: LocalBending, low: int, high: int) -> tuple[int, float]:
    if high - low < 2:
        return low, 0.0
    level = bending.level_mm[low : high + 1]
    share = ((level - level[0]) / (level[-1] - level[0]))[:, None]
    first, last = bending.tangent[low], bending.tangent[high]
    straight = unit_vectors((1.0 - share) * first + share * last)
    off = _angles_rad(bending.tangent[low : high + 1], straight)
    return low + int(np.argmax(off)), float(off.max())


def _angles_rad(first: Floats, second: Floats) -> Floats:
    apart = np.linalg.norm(first - second, axis=-1)
    together = np.linalg.norm(first + second, axis=-1)
    return np.asarray(2.0 * np.arctan2(apart, together), float)
