"""The curvature of a canal by all methods, with what limits them.

`summarize_curvature` gathers them once for a canal; the single methods are re-exported here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.angles import (
    CanalAccess,
    PruettResult,
    canal_access,
    canal_access_of,
    long_axis_deg,
    long_axis_of,
    luiten_deg,
    luiten_of,
    pruett,
    pruett_of,
    schneider_deg,
    schneider_of,
    weine_deg,
    weine_of,
)
from canalwright.anatomy.bend_fit import bend_fits
from canalwright.anatomy.classes import (
    DoboNagyClass,
    SchneiderClass,
    dobo_nagy_class,
    schneider_class,
)
from canalwright.anatomy.curvature_cautions import curvature_cautions
from canalwright.anatomy.turning import Bend, bends, total_turning_deg
from canalwright.anatomy.views import in_view, projected_view
from canalwright.anatomy.windowed import (
    WINDOW_MM,
    LocalBending,
    local_bending,
    torsion_per_mm,
)
from canalwright.cautions import Caution

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal

__all__ = [
    "WINDOW_MM",
    "Bend",
    "CanalAccess",
    "CurvatureSummary",
    "LocalBending",
    "PruettResult",
    "bends",
    "canal_access",
    "dobo_nagy_class",
    "local_bending",
    "long_axis_deg",
    "luiten_deg",
    "projected_view",
    "pruett",
    "radius_min_mm",
    "schneider_class",
    "schneider_deg",
    "summarize_centerline",
    "summarize_curvature",
    "torsion_per_mm",
    "total_turning_deg",
    "weine_deg",
]

Floats = NDArray[np.float64]

_STRAIGHT_RADIUS_MM = 1000.0
_LEAST_LUITEN_MM = 3.0


@dataclass(frozen=True, slots=True)
class CurvatureSummary:
    """The curvature of one canal by all methods, in one view or in its own best plane.

    Attributes
    ----------
    view_direction : tuple of float or None
        Where one looks from; None for the canal's own best plane. With None, total turning and
        largest curvature are taken in space; in a view, everything is taken in the view.
    schneider_deg, weine_deg, pruett_deg, long_axis_deg : float
        Angles by the methods of these names.
    luiten_deg : float or None
        None for canals shorter than 3 mm.
    pruett_radius_mm : float or None
        None for a straight canal.
    pruett_arc_mm : float
        Length of the fitted arc.
    pruett_start_level_mm, pruett_end_level_mm : float or None
        Levels of the arc's ends; the second one is Schneider's departure point, except in a canal
        that bends both ways, where Pruett's values are those of the larger bend.
    access_angle_deg, access_height_mm : float
    access_distance_mm : float or None
        Canal access angle, height and distance of the curve.
    total_turning_deg : float
        ``∫κ ds`` without wiggles below 5°.
    max_per_mm : float
        Largest curvature over `window_mm`.
    max_level_mm : float or None
        Where it lies; None for a straight canal.
    radius_min_mm : float or None
        1 / `max_per_mm`; None where that exceeds 1 m.
    window_mm : float
        Window of the largest curvature.
    schneider_class : SchneiderClass
    shape_class : DoboNagyClass
    bends : tuple of Bend
        Bends of 10° or more, from the terminus up.
    cautions : tuple of Caution
    """

    view_direction: tuple[float, float, float] | None
    schneider_deg: float
    weine_deg: float
    pruett_deg: float
    pruett_radius_mm: float | None
    pruett_arc_mm: float
    pruett_start_level_mm: float | None
    pruett_end_level_mm: float | None
    long_axis_deg: float
    luiten_deg: float | None
    access_angle_deg: float
    access_height_mm: float
    access_distance_mm: float | None
    total_turning_deg: float
    max_per_mm: float
    max_level_mm: float | None
    radius_min_mm: float | None
    window_mm: float
    schneider_class: SchneiderClass
    shape_class: DoboNagyClass
    bends: tuple[Bend, ...]
    cautions: tuple[Caution, ...]


def summarize_curvature(
    canal: Canal, view_direction: ArrayLike | None = None, *, window_mm: float = WINDOW_MM
) -> CurvatureSummary:
    """Measure the curvature of a canal by all methods.

    Parameters
    ----------
    canal : Canal
    view_direction : array_like, shape (3,), optional
        Direction from the tooth to the viewer, in the mm space of the centerline. By default
        angles are taken in the canal's own best plane, and curvature in space.
    window_mm : float
        Window of the largest curvature.

    Raises
    ------
    OutOfRange
        For a view direction without length or a window that is not greater than zero.
    """
    return summarize_centerline(canal.centerline_mm, view_direction, window_mm=window_mm)


def summarize_centerline(
    points_mm: ArrayLike,
    view_direction: ArrayLike | None = None,
    *,
    window_mm: float = WINDOW_MM,
) -> CurvatureSummary:
    """Measure the curvature of a centerline, terminus first; see `summarize_curvature`.

    Parameters
    ----------
    points_mm : array_like, shape (n, 3)
    """
    points = np.asarray(points_mm, float)
    view = in_view(points, view_direction)
    fits = bend_fits(view)
    fit, looked_at = fits[0], (points if view_direction is None else view)
    bending = local_bending(looked_at, window_mm=window_mm)
    found = bends(view)
    arc, angle = pruett_of(view, fit, found), schneider_of(fit)
    access = canal_access_of(view, fit)
    return CurvatureSummary(
        view_direction=_as_tuple(view_direction),
        schneider_deg=angle,
        weine_deg=weine_of(view, fit),
        pruett_deg=arc.angle_deg,
        pruett_radius_mm=arc.radius_mm,
        pruett_arc_mm=arc.arc_length_mm,
        pruett_start_level_mm=arc.start_level_mm,
        pruett_end_level_mm=arc.end_level_mm,
        long_axis_deg=long_axis_of(view),
        luiten_deg=_luiten_or_none(view),
        access_angle_deg=access.angle_deg,
        access_height_mm=access.height_mm,
        access_distance_mm=access.distance_mm,
        total_turning_deg=total_turning_deg(looked_at),
        max_per_mm=bending.max_per_mm,
        max_level_mm=None if fit.straight else bending.max_level_mm,
        radius_min_mm=_radius_or_none(bending),
        window_mm=bending.window_mm,
        schneider_class=schneider_class(angle),
        shape_class=dobo_nagy_class(view),
        bends=found,
        cautions=curvature_cautions(points, view_direction, fits, found, arc, bending),
    )


def radius_min_mm(points_mm: ArrayLike, *, window_mm: float = WINDOW_MM) -> float | None:
    """Return the smallest radius of curvature over a window; None beyond 1 m, for straight canals.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2) or (n, 3)
        In a view, or in space.
    window_mm : float
    """
    return _radius_or_none(local_bending(points_mm, window_mm=window_mm))


def _radius_or_none(bending: LocalBending) -> float | None:
    largest = bending.max_per_mm
    return 1.0 / largest if largest > 1.0 / _STRAIGHT_RADIUS_MM else None


def _luiten_or_none(view: Floats) -> float | None:
    length = float(np.linalg.norm(np.diff(view, axis=0), axis=1).sum())
    return luiten_of(view) if length >= _LEAST_LUITEN_MM else None


def _as_tuple(view_direction: ArrayLike | None) -> tuple[float, float, float] | None:
    if view_direction is None:
        return None
    x, y, z = (float(value) for value in np.asarray(view_direction, float))
    return x, y, z
