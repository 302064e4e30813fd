"""`evaluate_scans`: two scans of one tooth, from a pair of points in the first for every canal."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import NotOneTooth, UsageError
from canalwright.geometry.alignment import Alignment
from canalwright.geometry.movement_error import jackknifed, surface_blocks
from canalwright.geometry.surface_fit import (
    Surface,
    fitted_surfaces,
    starts_about,
    surface_of,
)
from canalwright.geometry.tube import TubeWall
from canalwright.imaging.joins import with_joins
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.open_walls import opened_walls
from canalwright.imaging.registration import KeepOut, register_scans
from canalwright.imaging.scan import Scan
from canalwright.imaging.settings import MeasureSettings
from canalwright.shaping.evaluation import evaluate_pair
from canalwright.shaping.evaluation_types import Evaluation

__all__ = [
    "MeasuredPair",
    "aligned_by_surfaces",
    "evaluate_canals",
    "evaluate_scans",
    "measured_pair",
    "measured_pairs",
]

Floats = NDArray[np.float64]
Progress = Callable[[str, float], None]
Ends = Mapping[str, tuple[ArrayLike, ArrayLike]]

SURFACE_METHOD: Final = "outer-surface-points"
MOST_SURFACE_GAP_MM: Final = 0.15
"""Above this two root surfaces are not taken for one; walls are measured to about 0.02 mm."""

# Beyond the wall before, as far as a preparation may reach.
_WORKED_ON_MM = 0.5
_LEAST_POINTS = 200


@dataclass(frozen=True, eq=False)
class MeasuredPair:
    """A canal measured in two scans, each in its own frame, and how these lie to each other.

    Attributes
    ----------
    before, after : Canal
    alignment : Alignment
    opened : ndarray of bool, shape (levels of before, directions)
        Toward where dentin below the root surface is seen before and not after.
    """

    before: Canal
    after: Canal
    alignment: Alignment
    opened: NDArray[np.bool_]


def measured_pair(
    before: Scan,
    after: Scan,
    name: str,
    orifice_mm: ArrayLike,
    terminus_mm: ArrayLike,
    *,
    settings: MeasureSettings | None = None,
    progress: Progress | None = None,
    seed: int = 0,
) -> MeasuredPair:
    """Measure one canal in two scans by the same measurement.

    Parameters
    ----------
    before, after : Scan
    name : str
    orifice_mm, terminus_mm : array_like, shape (3,)
        In the frame before; the registration carries them into the frame after.
    settings : MeasureSettings, optional
    progress : callable, optional
    seed : int

    Raises
    ------
    NotOneTooth
        If the scans do not show the same tooth.
    NotACanal, NotInVolume, NotFoundInScan
        As in `measure_canal` and `register_scans`.
    """
    ends = {name: (orifice_mm, terminus_mm)}
    return measured_pairs(before, after, ends, settings=settings, progress=progress, seed=seed)[0]


def measured_pairs(
    before: Scan,
    after: Scan,
    ends_mm: Ends,
    *,
    settings: MeasureSettings | None = None,
    progress: Progress | None = None,
    seed: int = 0,
) -> tuple[MeasuredPair, ...]:
    """Measure the canals of one tooth in two scans, registered once.

    Parameters
    ----------
    before, after : Scan
    ends_mm : mapping
        Orifice and terminus of every canal by its name, in the frame before.
    settings : MeasureSettings, optional
    progress : callable, optional
    seed : int

    Returns
    -------
    tuple of MeasuredPair
        One for every canal, all with the same alignment. What canals share is said by them, and
        the wall to another canal is no root surface.

    Raises
    ------
    UsageError
        If no canal is named.
    NotOneTooth
        If the scans do not show the same tooth.
    NotACanal, NotInVolume, NotFoundInScan
        As in `measure_canal` and `register_scans`.
    """
    if not ends_mm:
        raise UsageError("An evaluation needs at least one canal.")
    report = progress or (lambda _step, _share: None)
    count = len(ends_mm)
    first: list[Canal] = []
    for name, (orifice, terminus) in ends_mm.items():
        report(f"measuring {name} before", 0.3 * len(first) / count)
        first.append(measure_canal(before, name, orifice, terminus, settings=settings))
    report("registering", 0.3)
    alignment = register_scans(before, after, keep_out=_worked_on(first), seed=seed)
    second: list[Canal] = []
    for canal in first:
        report(f"measuring {canal.name} after", 0.7 + 0.3 * len(second) / count)
        ends = alignment.movement.moved_mm(canal.centerline_mm[[-1, 0]])
        second.append(measure_canal(after, canal.name, ends[0], ends[1], settings=settings))
    report("done", 1.0)
    both = zip(with_joins(first), with_joins(second), strict=True)
    return tuple(
        MeasuredPair(one, other, alignment, opened_walls(before, after, one, alignment.movement))
        for one, other in both
    )


def _worked_on(canals: Sequence[Canal]) -> KeepOut:
    return KeepOut(
        np.concatenate([canal.centerline_mm for canal in canals]),
        np.concatenate([canal.radius_mm.max(axis=1) for canal in canals]) + _WORKED_ON_MM,
    )


def evaluate_scans(
    before: Scan,
    after: Scan,
    name: str,
    orifice_mm: ArrayLike,
    terminus_mm: ArrayLike,
    *,
    settings: MeasureSettings | None = None,
    progress: Progress | None = None,
    seed: int = 0,
    **options: Any,
) -> Evaluation:
    """Compare a canal in two scans of one tooth.

    Parameters
    ----------
    before, after : Scan
    name : str
    orifice_mm, terminus_mm : array_like, shape (3,)
        In the frame before.
    settings : MeasureSettings, optional
    progress : callable, optional
    seed : int
    **options
        Of `evaluate_pair`.

    Raises
    ------
    NotOneTooth
        If the scans do not show the same tooth, or the canals do not lie in each other.
    """
    ends = {name: (orifice_mm, terminus_mm)}
    return evaluate_canals(
        before, after, ends, settings=settings, progress=progress, seed=seed, **options
    )[0]


def evaluate_canals(
    before: Scan,
    after: Scan,
    ends_mm: Ends,
    *,
    settings: MeasureSettings | None = None,
    progress: Progress | None = None,
    seed: int = 0,
    **options: Any,
) -> tuple[Evaluation, ...]:
    """Compare the canals of one tooth in two scans, registered once.

    Parameters
    ----------
    before, after : Scan
    ends_mm : mapping
        Orifice and terminus of every canal by its name, in the frame before.
    settings : MeasureSettings, optional
    progress : callable, optional
    seed : int
    **options
        Of `evaluate_pair`, the same for every canal.

    Returns
    -------
    tuple of Evaluation
        In the order of the canals.

    Raises
    ------
    UsageError
        If no canal is named.
    NotOneTooth
        If the scans do not show the same tooth, or the states of a canal do not lie in each other.
    """
    pairs = measured_pairs(before, after, ends_mm, settings=settings, progress=progress, seed=seed)
    return tuple(
        evaluate_pair(
            pair.before,
            pair.after,
            alignment=pair.alignment,
            opened=pair.opened,
            oriented=before.oriented,
            seed=seed,
            **options,
        )
        for pair in pairs
    )


def aligned_by_surfaces(
    before: Canal | Sequence[Canal], after: Canal | Sequence[Canal]
) -> Alignment:
    """Find the movement between two canal files from the root surfaces measured round them.

    Parameters
    ----------
    before, after : Canal or sequence of Canal
        With outer surfaces; of several canals the same ones in the same order.

    Raises
    ------
    NotOneTooth
        If a canal has hardly any outer surface, or the surfaces do not lie on each other.
    """
    canals = _listed(before), _listed(after)
    first, second = _outer_surface(canals[0]), _outer_surface(canals[1])
    fit = fitted_surfaces(first, second, _canal_starts(*canals, first, second))
    center = fit.pairs_mm.mean(axis=0)
    rows = np.hstack([np.cross(fit.pairs_mm - center, fit.normals), fit.normals])
    moved = jackknifed(rows, fit.gaps_mm, surface_blocks(fit.pairs_mm), center)
    gap = float(np.sqrt(np.mean(fit.gaps_mm**2)))
    if gap > MOST_SURFACE_GAP_MM:
        raise NotOneTooth(
            problem=(
                f"laid on each other as well as possible, the root surfaces round "
                f"{_names(canals[0])} lie {gap:.2f} mm apart (at most {MOST_SURFACE_GAP_MM:g})"
            ),
            hint="Check that both files hold the same canals of the same tooth.",
        )
    back = fit.movement.inverse()
    turn = np.zeros((6, 6))
    turn[:3, :3] = turn[3:, 3:] = back.rotation
    error = type(moved)(back.moved_mm(center), turn @ moved.covariance @ turn.T)
    return Alignment(SURFACE_METHOD, fit.movement, error, gap)


def _listed(canals: Canal | Sequence[Canal]) -> tuple[Canal, ...]:
    return (canals,) if isinstance(canals, Canal) else tuple(canals)


def _names(canals: Sequence[Canal]) -> str:
    word = "canal" if len(canals) == 1 else "canals"
    return f"{word} {', '.join(repr(canal.name) for canal in canals)}"


def _outer_surface(canals: Sequence[Canal]) -> Surface:
    walls = [TubeWall(c.level_mm, c.centerline_mm, c.direction0, c.outer_radius_mm) for c in canals]
    surface = surface_of(
        np.concatenate([wall.points_mm.reshape(-1, 3) for wall in walls]),
        np.concatenate([wall.normals.reshape(-1, 3) for wall in walls]),
    )
    if len(surface.points_mm) < _LEAST_POINTS:
        raise NotOneTooth(
            problem=f"hardly any root surface is known round {_names(canals)}",
            hint="Leave --align out if both files lie in one frame.",
        )
    return surface


def _canal_starts(
    before: Sequence[Canal], after: Sequence[Canal], first: Surface, second: Surface
) -> Any:
    """Begin also from the axes laid on each other: roots are nearly round, axes are not."""
    from canalwright.geometry.rigid import best_rigid

    axes = [
        np.concatenate([_axis_points_mm(canal) for canal in state]) for state in (before, after)
    ]
    return (best_rigid(axes[0], axes[1]), *starts_about(first, second))


def _axis_points_mm(canal: Canal) -> Floats:
    level = np.linspace(0.0, 1.0, 40) * canal.length_mm
    columns = [np.interp(level, canal.level_mm, column) for column in canal.centerline_mm.T]
    return np.stack(columns, axis=1)
