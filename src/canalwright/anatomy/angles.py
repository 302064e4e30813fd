"""The angles by which canal curvature is published, each by its own construction.

They differ on the same canal (significantly so in the comparison of :cite:`gunday2005`), so a
number is never given without its method. All of them look at the canal in a view: a projection,
or by default its own best plane. Points run from the terminus to the orifice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.bend_fit import BendFit, angle_between_rad, fitted_bend
from canalwright.anatomy.turning import Bend, bends, is_s_curve
from canalwright.anatomy.views import evenly_spaced, in_view
from canalwright.anatomy.windowed import local_bending
from canalwright.errors import OutOfRange
from canalwright.geometry.points import polyline_levels_mm, principal_axes

__all__ = [
    "CanalAccess",
    "PruettResult",
    "canal_access",
    "long_axis_deg",
    "luiten_deg",
    "pruett",
    "schneider_deg",
    "weine_deg",
]

Floats = NDArray[np.float64]

_LUITEN_CORONAL_MM = 2.0
_LUITEN_APICAL_MM = 1.0
_END_TANGENT_MM = 1.0


@dataclass(frozen=True, slots=True)
class PruettResult:
    """Angle and radius of the circle between the straight coronal and apical parts.

    "The angle, the radius, and the length of the curve should be given" :cite:`schafer2002`.

    Attributes
    ----------
    angle_deg : float
        Angle of the arc between the points where the circle leaves the straight parts.
    radius_mm : float or None
        Radius of that circle; None for a straight canal (infinite).
    arc_length_mm : float
        Length of the arc; 0 for a straight canal.
    start_level_mm, end_level_mm : float or None
        Levels of the arc's apical and coronal end, along the fitted line; None if straight.
    rms_mm : float
        Root mean square distance of the canal from the fitted line.
    """

    angle_deg: float
    radius_mm: float | None
    arc_length_mm: float
    start_level_mm: float | None
    end_level_mm: float | None
    rms_mm: float


@dataclass(frozen=True, slots=True)
class CanalAccess:
    """Canal access angle with the height and distance of the curve :cite:`gunday2005`.

    Attributes
    ----------
    angle_deg : float
        At the orifice, between the chord orifice–terminus and the axis of the coronal canal.
    height_mm : float
        Largest distance of the canal from the chord.
    distance_mm : float or None
        From the orifice to the foot of that height along the chord; None for a straight canal.
    """

    angle_deg: float
    height_mm: float
    distance_mm: float | None


def schneider_deg(points_mm: ArrayLike, view_direction: ArrayLike | None = None) -> float:
    """Return Schneider's angle :cite:`schneider1971`.

    Between the axis of the coronal part and the line from the point where the canal leaves that
    axis to the terminus. Axis and departure point come from the fit of a straight–arc–straight
    line (`canalwright.anatomy.bend_fit`), not from the eye; on an arc that ends at the terminus
    the angle is half of Pruett's.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2) or (n, 3)
        Terminus first.
    view_direction : array_like, shape (3,), optional
        By default the canal's own best plane.

    Returns
    -------
    float
        Degrees, 0 for a canal within 0.02 mm of one line. Seeded arcs of 20 to 60° with 0.02 mm
        of correlated noise: standard deviation 0.3 to 0.5°, 1° at a radius of 2 mm. One bend
        only; see `summarize_curvature` for the cautions.
    """
    return schneider_of(fitted_bend(in_view(points_mm, view_direction)))


def pruett(points_mm: ArrayLike, view_direction: ArrayLike | None = None) -> PruettResult:
    """Return angle and radius of the bend by Pruett's construction :cite:`pruett1997`.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2) or (n, 3)
        Terminus first.
    view_direction : array_like, shape (3,), optional
        By default the canal's own best plane.

    Returns
    -------
    PruettResult
        Of a canal that bends both ways, the larger bend, fitted on its own stretch alone.

    Notes
    -----
    Seeded arcs of 20 to 60° with 0.02 mm of correlated noise: standard deviation of the angle 1°,
    and 3° where one straight part is shorter than about 2 mm; of the radius 4 to 8 %.
    """
    view = in_view(points_mm, view_direction)
    return pruett_of(view, fitted_bend(view), bends(view))


def weine_deg(points_mm: ArrayLike, view_direction: ArrayLike | None = None) -> float:
    """Return Weine's angle :cite:`weine1982`.

    Between the axis of the coronal part, as in Schneider's angle, and the direction of the canal
    at the terminus: the end tangent of the curve through the apical 1 mm. Construction from
    memory. On an arc that ends at the terminus it equals Pruett's angle.

    Parameters and allowances as in `schneider_deg`; the end tangent makes it noisier (2° at
    0.02 mm of noise).
    """
    view = in_view(points_mm, view_direction)
    return weine_of(view, fitted_bend(view))


def long_axis_deg(points_mm: ArrayLike, view_direction: ArrayLike | None = None) -> float:
    """Return the angle between the long axes of the coronal and the apical third.

    Each axis is the line nearest to the points of its third of the length, in the sense of least
    squares. A method of this name is compared with Schneider's and Weine's in
    :cite:`gunday2005`; its own drawing was not at hand, so the thirds are this program's choice.
    On an arc over the whole length it gives two thirds of Pruett's angle.

    Parameters as in `schneider_deg`.
    """
    return long_axis_of(in_view(points_mm, view_direction))


def luiten_deg(points_mm: ArrayLike, view_direction: ArrayLike | None = None) -> float:
    """Return the four-point angle of Luiten :cite:`luiten1995`.

    Between the line from the orifice to 2 mm below it and the line from 1 mm short of the
    terminus to the terminus (distances along the canal). Points as they are, without smoothing;
    with 0.02 mm of noise the 1 mm line alone turns by about 1°. Construction from memory.

    Parameters as in `schneider_deg`.

    Raises
    ------
    OutOfRange
        If the canal is shorter than 3 mm.
    """
    return luiten_of(in_view(points_mm, view_direction))


def canal_access(points_mm: ArrayLike, view_direction: ArrayLike | None = None) -> CanalAccess:
    """Return the canal access angle and the height and distance of the curve.

    The term and its relation to the height are published :cite:`gunday2005`; the construction is
    from memory: the coronal axis is the straight coronal part of Schneider's construction, and
    the distance is taken from the orifice.

    Parameters as in `schneider_deg`.
    """
    view = in_view(points_mm, view_direction)
    return canal_access_of(view, fitted_bend(view))


# --- the same on a view and its fitted bend, so that a summary fits only once -------------------


def schneider_of(fit: BendFit) -> float:
    """Return Schneider's angle of a fitted bend, in degrees."""
    return float(np.degrees(fit.schneider_rad))


def pruett_of(view: Floats, fit: BendFit, found: tuple[Bend, ...]) -> PruettResult:
    """Return Pruett's angle and radius in a view whose bend is fitted and whose bends are known."""
    below = 0.0
    if is_s_curve(found):
        largest = max(found, key=lambda bend: abs(bend.turning_deg))
        level, below = polyline_levels_mm(view), largest.start_level_mm
        stretch = view[(level >= below) & (level <= largest.end_level_mm)]
        fit = fitted_bend(evenly_spaced(stretch))
    if fit.straight:
        return PruettResult(0.0, None, 0.0, None, None, fit.rms_mm)
    return PruettResult(
        angle_deg=float(np.degrees(abs(fit.turning_rad))),
        radius_mm=1.0 / abs(fit.curvature_per_mm),
        arc_length_mm=fit.arc_mm,
        start_level_mm=below + fit.start_level_mm,
        end_level_mm=below + fit.departure_level_mm,
        rms_mm=fit.rms_mm,
    )


def weine_of(view: Floats, fit: BendFit) -> float:
    """Return Weine's angle in a view whose bend is fitted, in degrees."""
    if fit.straight:
        return 0.0
    tangent = local_bending(view, window_mm=_END_TANGENT_MM).tangent[0]
    return float(np.degrees(angle_between_rad(-tangent, fit.coronal_direction)))


def long_axis_of(view: Floats) -> float:
    """Return the long-axis angle in a view, in degrees."""
    level = polyline_levels_mm(view)
    third = level[-1] / 3.0
    apical, coronal = view[level <= third + 1e-9], view[level >= 2.0 * third - 1e-9]
    return float(np.degrees(angle_between_rad(_axis(apical), _axis(coronal))))


def luiten_of(view: Floats) -> float:
    """Return the four-point angle in a view, in degrees."""
    level = polyline_levels_mm(view)
    length = float(level[-1])
    least = _LUITEN_CORONAL_MM + _LUITEN_APICAL_MM
    if length < least:
        raise OutOfRange(
            name="length of the canal in the view", got=length, unit="mm", allowed=(least, None)
        )
    wanted = np.array([0.0, _LUITEN_APICAL_MM, length - _LUITEN_CORONAL_MM, length])
    four = np.column_stack([np.interp(wanted, level, view[:, k]) for k in (0, 1)])
    return float(np.degrees(angle_between_rad(four[1] - four[0], four[3] - four[2])))


def canal_access_of(view: Floats, fit: BendFit) -> CanalAccess:
    """Return the canal access angle in a view whose bend is fitted."""
    if fit.straight:
        return CanalAccess(0.0, 0.0, None)
    chord = view[0] - view[-1]
    along = chord / np.linalg.norm(chord)
    offset = np.abs((view - view[-1]) @ np.array([-along[1], along[0]]))
    highest = int(np.argmax(offset))
    return CanalAccess(
        angle_deg=float(np.degrees(angle_between_rad(chord, fit.coronal_direction))),
        height_mm=float(offset[highest]),
        distance_mm=float((view[highest] - view[-1]) @ along),
    )


def _axis(points: Floats) -> Floats:
    axis = principal_axes(points)[0]
    sense = -1.0 if axis @ (points[-1] - points[0]) < 0.0 else 1.0
    return np.asarray(sense * axis, float)
