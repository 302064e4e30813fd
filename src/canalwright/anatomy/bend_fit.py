"""One bend in a view: straight coronal part, circular arc, straight apical part.

The two straight parts are tangent to the arc, which is the construction Pruett describes
:cite:`pruett1997`. The fit minimizes the distances of the view points from that line, square
by square, so it needs no arc length of the (noisy) points and every derivative is closed form.
The point where the arc leaves the coronal line is also the departure point of Schneider's angle.

Walking direction here is coronal to apical; levels in the result are from the terminus.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.bend_starts import bend_starts
from canalwright.geometry.points import polyline_levels_mm, principal_axes

__all__ = ["STRAIGHT_WITHIN_MM", "BendFit", "bend_fits", "fitted_bend"]

Floats = NDArray[np.float64]

STRAIGHT_WITHIN_MM = 0.02
"""A canal that stays this close to one line is called straight: the noise of a centerline."""

_LONGEST_SHARE = 1.2
_EVALUATIONS = 60
_SMALLEST_CURVATURE_PER_MM = 1e-9
_LARGEST_TURN_RAD = np.radians(150.0)  # no canal turns back on itself
_SHORT_TAIL_MM = 1.5
_NEEDLESS_GAIN = 1.05
_DEPARTURE, _ARC_LENGTH = 2, 4
_DEPARTURE_TRIAL_MM = 1.0


@dataclass(frozen=True, eq=False)
class BendFit:
    """The fitted line in a view.

    Attributes
    ----------
    terminus_mm, orifice_mm : ndarray, shape (2,)
        The two ends of the canal in the view.
    departure_mm : ndarray, shape (2,)
        Where the arc leaves the coronal line.
    coronal_angle_rad : float
        Direction of the coronal line in the view, toward the apex, from the first view axis.
    curvature_per_mm : float
        Signed: positive where the canal turns to the left when walking apically. 0 if straight.
    arc_mm : float
        Length of the arc. 0 if straight.
    coronal_mm, apical_mm : float
        Lengths of the straight parts; 0 where the arc reaches that end.
    rms_mm : float
        Root mean square distance of the points from the line.
    """

    terminus_mm: Floats
    orifice_mm: Floats
    departure_mm: Floats
    coronal_angle_rad: float
    curvature_per_mm: float
    arc_mm: float
    coronal_mm: float
    apical_mm: float
    rms_mm: float

    @property
    def straight(self) -> bool:
        """Whether no bend was found."""
        return self.arc_mm == 0.0

    @property
    def turning_rad(self) -> float:
        """Signed angle of the arc."""
        return self.curvature_per_mm * self.arc_mm

    @property
    def coronal_direction(self) -> Floats:
        """Unit vector of the coronal line in the view, toward the apex."""
        return _unit(self.coronal_angle_rad)

    @property
    def start_level_mm(self) -> float:
        """Level of the apical end of the arc."""
        return self.apical_mm

    @property
    def departure_level_mm(self) -> float:
        """Level of the coronal end of the arc, where it leaves the coronal line."""
        return self.apical_mm + self.arc_mm

    @cached_property
    def schneider_rad(self) -> float:
        """Angle between the coronal line and the line from the departure point to the terminus."""
        if self.straight:
            return 0.0
        return angle_between_rad(self.coronal_direction, self.terminus_mm - self.departure_mm)


def fitted_bend(view_mm: ArrayLike) -> BendFit:
    """Fit the bend that leaves the least distance to the points; see `bend_fits`."""
    return bend_fits(view_mm)[0]


def bend_fits(view_mm: ArrayLike) -> tuple[BendFit, ...]:
    """Fit one bend from several starts, and with the departure point moved by a millimeter.

    Parameters
    ----------
    view_mm : array_like, shape (n, 2)
        Evenly spaced view points, terminus first.

    Returns
    -------
    tuple of BendFit
        Best first, the others by their distance from the points. Where one of the others is
        about as close, the departure point is not firm.
    """
    walk = np.asarray(view_mm, float)[::-1]
    line = _straight_fit(walk)
    if np.abs(_offsets_from_line(walk)).max() <= STRAIGHT_WITHIN_MM:
        return (line,)
    fits = _fits_from_starts(walk)
    if not fits:
        return (line,)
    parameters, best = fits[0]
    moved = [
        _refined(walk, parameters, {_DEPARTURE: float(parameters[_DEPARTURE]) + shift})
        for shift in (-_DEPARTURE_TRIAL_MM, _DEPARTURE_TRIAL_MM)
    ]
    others = sorted((fit for _, fit in fits[1:] + moved), key=lambda fit: fit.rms_mm)
    return (_without_needless_tail(walk, parameters, best), *others)


def _fits_from_starts(walk: Floats) -> list[tuple[Floats, BendFit]]:
    """Return parameters and fits that stay within the canal, best first."""
    length = float(polyline_levels_mm(walk)[-1])
    found = [_refined(walk, start) for start in bend_starts(walk)]
    kept = [one for one in found if one[1].departure_level_mm <= _LONGEST_SHARE * length]
    return sorted(kept, key=lambda one: one[1].rms_mm)


def angle_between_rad(first: ArrayLike, second: ArrayLike) -> float:
    """Return the angle between two vectors of a view or of space, 0 to π."""
    a, b = np.asarray(first, float), np.asarray(second, float)
    a, b = a / np.linalg.norm(a), b / np.linalg.norm(b)
    return float(2.0 * np.arctan2(np.linalg.norm(a - b), np.linalg.norm(a + b)))


def _unit(angle: float) -> Floats:
    return np.array([np.cos(angle), np.sin(angle)])


def _normal(angle: float) -> Floats:
    return np.array([-np.sin(angle), np.cos(angle)])


def _principal_direction(walk: Floats) -> Floats:
    axis = principal_axes(walk)[0]
    sense = -1.0 if axis @ (walk[-1] - walk[0]) < 0.0 else 1.0
    return np.asarray(sense * axis, float)


def _offsets_from_line(walk: Floats) -> Floats:
    along = _principal_direction(walk)
    return np.asarray((walk - walk.mean(axis=0)) @ np.array([-along[1], along[0]]), float)


def _straight_fit(walk: Floats) -> BendFit:
    along = _principal_direction(walk)
    offset = _offsets_from_line(walk)
    return BendFit(
        terminus_mm=walk[-1],
        orifice_mm=walk[0],
        departure_mm=walk[-1],
        coronal_angle_rad=float(np.arctan2(along[1], along[0])),
        curvature_per_mm=0.0,
        arc_mm=0.0,
        coronal_mm=float((walk[-1] - walk[0]) @ along),
        apical_mm=0.0,
        rms_mm=float(np.sqrt(np.mean(offset**2))),
    )


# --- the fit itself -----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, slots=True)
class _Feet:
    """Where each point's foot lies on the line, and its signed distance to the left."""

    distance_mm: Floats
    arc_mm: Floats  # length along the arc, 0 on the coronal part, full on the apical one
    tail_mm: Floats  # length along the apical part
    head_mm: Floats  # at most 0, place along the coronal part


def _feet(parameters: Floats, walk: Floats) -> _Feet:
    angle, offset, departure, kappa, length = _tamed(parameters)
    toward = walk - walk[0]
    x = toward @ _unit(angle) - departure
    y = toward @ _normal(angle) - offset
    turn = kappa * length
    end = np.array([np.sin(turn), 1.0 - np.cos(turn)]) / kappa
    x1 = (x - end[0]) * np.cos(turn) + (y - end[1]) * np.sin(turn)
    y1 = -(x - end[0]) * np.sin(turn) + (y - end[1]) * np.cos(turn)
    center = np.hypot(kappa * x, 1.0 - kappa * y)
    on_arc = (2.0 * y - kappa * (x * x + y * y)) / (1.0 + center)
    head, tail = x <= 0.0, x1 >= 0.0
    head, tail = (
        head & (~tail | (np.abs(y) <= np.abs(y1))),
        tail & (~head | (np.abs(y1) < np.abs(y))),
    )
    along_arc = np.clip(np.arctan2(kappa * x, 1.0 - kappa * y) / kappa, 0.0, length)
    return _Feet(
        distance_mm=np.where(head, y, np.where(tail, y1, on_arc)),
        arc_mm=np.where(head, 0.0, np.where(tail, length, along_arc)),
        tail_mm=np.where(tail, x1, 0.0),
        head_mm=np.where(head, x, 0.0),
    )


def _tamed(parameters: Floats) -> tuple[float, float, float, float, float]:
    angle, offset, departure, kappa, length = (float(value) for value in parameters)
    if abs(kappa) < _SMALLEST_CURVATURE_PER_MM:
        kappa = _SMALLEST_CURVATURE_PER_MM if kappa >= 0.0 else -_SMALLEST_CURVATURE_PER_MM
    return angle, offset, departure, kappa, min(abs(length), _LARGEST_TURN_RAD / abs(kappa))


def _slopes(parameters: Floats, walk: Floats) -> Floats:
    """Return the derivative of every distance by every parameter, shape (n, 5).

    With the foot fixed on the line, a distance changes by minus the part of the foot's motion
    along the normal there; the foot's own motion along the line does not count.
    """
    angle, _, _, kappa, _ = _tamed(parameters)
    feet = _feet(parameters, walk)
    turn = kappa * feet.arc_mm
    normal = np.column_stack([-np.sin(angle + turn), np.cos(angle + turn)])
    foot = (walk - walk[0]) - feet.distance_mm[:, None] * normal
    bent = (1.0 - np.cos(turn)) / kappa**2 + feet.tail_mm * feet.arc_mm
    beyond = feet.head_mm == 0.0
    return -np.column_stack(
        [
            normal[:, 1] * foot[:, 0] - normal[:, 0] * foot[:, 1],
            np.cos(turn),
            np.where(beyond, -np.sin(turn), 0.0),
            np.where(beyond, bent, 0.0),
            kappa * feet.tail_mm * (1.0 if parameters[4] >= 0.0 else -1.0),
        ]
    )


def _refined(
    walk: Floats, start: Floats, held: dict[int, float] | None = None
) -> tuple[Floats, BendFit]:
    """Return the parameters and the fit reached from `start`, some parameters held fixed."""
    from scipy.optimize import leastsq

    held = held or {}
    free = [k for k in range(5) if k not in held]
    full = start.copy()
    full[list(held)] = list(held.values())

    def placed(parameters: Floats) -> Floats:
        full[free] = parameters
        return full

    def distances(parameters: Floats) -> Floats:
        return _feet(placed(parameters), walk).distance_mm

    def slopes(parameters: Floats) -> Floats:
        return _slopes(placed(parameters), walk)[:, free]

    # The full output comes without the warning that the last digits were not reached.
    found = leastsq(
        distances,
        start[free],
        Dfun=slopes,
        ftol=1e-12,
        xtol=1e-9,
        maxfev=_EVALUATIONS,
        full_output=True,
    )
    parameters = placed(np.asarray(found[0], float)).copy()
    return parameters, _cut_to_ends(walk, parameters)


def _without_needless_tail(walk: Floats, parameters: Floats, fit: BendFit) -> BendFit:
    """Let the arc run to the terminus where a short straight tail explains next to nothing.

    Noise of the centerline otherwise ends the arc early by a few degrees.
    """
    if fit.straight or not 0.0 < fit.apical_mm < _SHORT_TAIL_MM:
        return fit
    past_the_end = fit.arc_mm + fit.apical_mm + _SHORT_TAIL_MM
    _, simpler = _refined(walk, parameters, {_ARC_LENGTH: past_the_end})
    needless = simpler.rms_mm <= _NEEDLESS_GAIN * fit.rms_mm + 1e-6
    return simpler if needless else fit


def _cut_to_ends(walk: Floats, parameters: Floats) -> BendFit:
    """Keep the part of the fitted line between the feet of the orifice and of the terminus."""
    angle, offset, departure, kappa, _ = _tamed(parameters)
    feet = _feet(parameters, walk)
    skipped, arc = float(feet.arc_mm[0]), float(feet.arc_mm[-1])
    leaves = walk[0] + offset * _normal(angle) + departure * _unit(angle)
    leaves = leaves + _along_arc(angle, kappa, skipped)
    return BendFit(
        terminus_mm=walk[-1],
        orifice_mm=walk[0],
        departure_mm=leaves,
        coronal_angle_rad=angle + kappa * skipped,
        curvature_per_mm=kappa,
        arc_mm=max(arc - skipped, 0.0),
        coronal_mm=float(-feet.head_mm[0]),
        apical_mm=float(feet.tail_mm[-1]),
        rms_mm=float(np.sqrt(np.mean(feet.distance_mm**2))),
    )


def _along_arc(angle: float, kappa: float, length: float) -> Floats:
    turn = kappa * length
    return np.asarray(
        (np.sin(turn) * _unit(angle) + (1.0 - np.cos(turn)) * _normal(angle)) / kappa, float
    )
