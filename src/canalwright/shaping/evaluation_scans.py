"""`evaluate_scans`: two scans of one tooth, from one pair of points in the first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import NotOneTooth
from canalwright.geometry.alignment import Alignment
from canalwright.geometry.movement_error import jackknifed, surface_blocks
from canalwright.geometry.surface_fit import (
    Surface,
    fitted_surfaces,
    starts_about,
    surface_of,
)
from canalwright.geometry.tube import TubeWall
from canalwright.imaging.measure import measure_canal
from canalwright.imaging.registration import KeepOut, register_scans
from canalwright.imaging.scan import Scan
from canalwright.imaging.settings import MeasureSettings
from canalwright.shaping.evaluation import evaluate_pair
from canalwright.shaping.evaluation_types import Evaluation

__all__ = ["MeasuredPair", "aligned_by_surfaces", "evaluate_scans", "measured_pair"]

Floats = NDArray[np.float64]
Progress = Callable[[str, float], None]

SURFACE_METHOD: Final = "outer-surface-points"
MOST_SURFACE_GAP_MM: Final = 0.15
"""Above this two root surfaces are not taken for one; walls are measured to about 0.02 mm."""

# Beyond the wall before, as far as a preparation may reach.
_WORKED_ON_MM = 0.5
_LEAST_POINTS = 200


@dataclass(frozen=True, eq=False)
class MeasuredPair:
    """A canal measured in two scans, each in its own frame, and how these lie to each other."""

    before: Canal
    after: Canal
    alignment: Alignment


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
    report = progress or (lambda _step, _share: None)
    report("measuring before", 0.0)
    first = measure_canal(before, name, orifice_mm, terminus_mm, settings=settings)
    report("registering", 0.25)
    worked_on = KeepOut(first.centerline_mm, first.radius_mm.max(axis=1) + _WORKED_ON_MM)
    alignment = register_scans(before, after, keep_out=worked_on, seed=seed)
    report("measuring after", 0.75)
    ends = alignment.movement.moved_mm(np.stack([first.centerline_mm[-1], first.centerline_mm[0]]))
    second = measure_canal(after, name, ends[0], ends[1], settings=settings)
    report("done", 1.0)
    return MeasuredPair(first, second, alignment)


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
    pair = measured_pair(
        before,
        after,
        name,
        orifice_mm,
        terminus_mm,
        settings=settings,
        progress=progress,
        seed=seed,
    )
    return evaluate_pair(
        pair.before,
        pair.after,
        alignment=pair.alignment,
        oriented=before.oriented,
        seed=seed,
        **options,
    )


def aligned_by_surfaces(before: Canal, after: Canal) -> Alignment:
    """Find the movement between two canal files from the root surfaces measured round them.

    Parameters
    ----------
    before, after : Canal
        With outer surfaces.

    Raises
    ------
    NotOneTooth
        If a canal has hardly any outer surface, or the surfaces do not lie on each other.
    """
    first, second = _outer_surface(before), _outer_surface(after)
    fit = fitted_surfaces(first, second, _canal_starts(before, after, first, second))
    center = fit.pairs_mm.mean(axis=0)
    rows = np.hstack([np.cross(fit.pairs_mm - center, fit.normals), fit.normals])
    moved = jackknifed(rows, fit.gaps_mm, surface_blocks(fit.pairs_mm), center)
    gap = float(np.sqrt(np.mean(fit.gaps_mm**2)))
    if gap > MOST_SURFACE_GAP_MM:
        raise NotOneTooth(
            problem=(
                f"laid on each other as well as possible, the root surfaces round canal "
                f"{before.name!r} lie {gap:.2f} mm apart (at most {MOST_SURFACE_GAP_MM:g})"
            ),
            hint="Check that both files hold the same canal of the same tooth.",
        )
    back = fit.movement.inverse()
    turn = np.zeros((6, 6))
    turn[:3, :3] = turn[3:, 3:] = back.rotation
    error = type(moved)(back.moved_mm(center), turn @ moved.covariance @ turn.T)
    return Alignment(SURFACE_METHOD, fit.movement, error, gap)


def _outer_surface(canal: Canal) -> Surface:
    wall = TubeWall(canal.level_mm, canal.centerline_mm, canal.direction0, canal.outer_radius_mm)
    surface = surface_of(wall.points_mm.reshape(-1, 3), wall.normals.reshape(-1, 3))
    if len(surface.points_mm) < _LEAST_POINTS:
        raise NotOneTooth(
            problem=f"canal {canal.name!r} has hardly any root surface to align by",
            hint="Leave --align out if both files lie in one frame.",
        )
    return surface


def _canal_starts(before: Canal, after: Canal, first: Surface, second: Surface) -> Any:
    """Begin also from the axes laid on each other: roots are nearly round, axes are not."""
    from canalwright.geometry.rigid import best_rigid

    share = np.linspace(0.0, 1.0, 40)
    ends = [
        np.stack(
            [np.interp(share * c.length_mm, c.level_mm, c.centerline_mm[:, k]) for k in range(3)], 1
        )
        for c in (before, after)
    ]
    return (best_rigid(ends[0], ends[1]), *starts_about(first, second))
