"""Published classes of curvature, with what this program does where they leave gaps."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.views import in_view
from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.geometry.points import polyline_levels_mm

__all__ = [
    "DoboNagyClass",
    "SchneiderClass",
    "dobo_nagy_class",
    "schneider_class",
    "schneider_class_cautions",
]

Floats = NDArray[np.float64]

_AXIS_POINTS = 7
_DEGREE = 4
_STRAIGHT_TURNING_DEG = 10.0
_LEAST_BEND_DEG = 10.0
_LEAST_SHARE = 0.25
_APICAL_SHARE = 2.0 / 3.0


class SchneiderClass(StrEnum):
    """Schneider's classes by his angle :cite:`schneider1971`."""

    STRAIGHT = "straight"
    MODERATE = "moderate"
    SEVERE = "severe"


class DoboNagyClass(StrEnum):
    """Shapes of a canal by a fourth-degree polynomial :cite:`dobonagy1995`."""

    STRAIGHT = "I"
    APICALLY_CURVED = "J"
    CONTINUOUSLY_CURVED = "C"
    MULTICURVED = "S"


def schneider_class(angle_deg: float) -> SchneiderClass:
    """Return Schneider's class of an angle measured by his construction.

    The published classes are straight ≤ 5°, moderate 10–20°, severe 25–70°. An angle in a gap
    goes to the more difficult neighbor: above 5° moderate, above 20° severe; so does one above
    70°. `schneider_class_cautions` says so where it applies.

    Parameters
    ----------
    angle_deg : float
        0 to 180.

    Raises
    ------
    OutOfRange
        If the angle is not within 0 to 180°.
    """
    if not 0.0 <= angle_deg <= 180.0:
        raise OutOfRange(name="Schneider angle", got=angle_deg, unit="°", allowed=(0.0, 180.0))
    if angle_deg <= 5.0:
        return SchneiderClass.STRAIGHT
    return SchneiderClass.MODERATE if angle_deg <= 20.0 else SchneiderClass.SEVERE


def schneider_class_cautions(angle_deg: float) -> tuple[Caution, ...]:
    """Return what to say about an angle that the published classes do not cover."""
    chosen = schneider_class(angle_deg)
    printed = round(angle_deg, 1)
    if 5.0 < printed < 10.0 or 20.0 < printed < 25.0:
        low, high = (5, 10) if printed < 10.0 else (20, 25)
        where = f"in the gap from {low}° to {high}° between the published classes"
    elif printed > 70.0:
        where = "above 70°, where the published classes end"
    else:
        return ()
    text = f"The Schneider angle {printed:.1f}° lies {where}; it is counted as {chosen}."
    return (Caution("SCHNEIDER_CLASS_GAP", text, "schneider1971"),)


def dobo_nagy_class(points_mm: ArrayLike, view_direction: ArrayLike | None = None) -> DoboNagyClass:
    """Return the shape class from a fourth-degree polynomial through seven axis points.

    Seven points evenly spaced by level, terminus and orifice among them, are laid against the
    chord, and the polynomial nearest to them in the sense of least squares is taken. The method
    is published; its limits between the classes were not at hand, so these are this program's:

    - S if the polynomial turns both ways, by 10° or more each and the lesser by at least a
      quarter of the greater (beside a short sharp bend it ripples by up to an eighth);
    - I if it turns by no more than 10° in all (a Schneider angle of 5° on an arc);
    - J if at least two thirds of the turning lie in the apical half of the chord;
    - C otherwise.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2) or (n, 3)
        Terminus first.
    view_direction : array_like, shape (3,), optional
        By default the canal's own best plane.
    """
    along, turned = _polynomial_turning_deg(in_view(points_mm, view_direction))
    left, right = float(turned[turned > 0].sum()), -float(turned[turned < 0].sum())
    if min(left, right) >= max(_LEAST_BEND_DEG, _LEAST_SHARE * max(left, right)):
        return DoboNagyClass.MULTICURVED
    if left + right <= _STRAIGHT_TURNING_DEG:
        return DoboNagyClass.STRAIGHT
    apical = float(np.abs(turned[along < 0.5]).sum())
    if apical >= _APICAL_SHARE * (left + right):
        return DoboNagyClass.APICALLY_CURVED
    return DoboNagyClass.CONTINUOUSLY_CURVED


def _polynomial_turning_deg(view: Floats) -> tuple[Floats, Floats]:
    """Return places along the chord (0 at the terminus, 1 at the orifice) and turning there."""
    level = polyline_levels_mm(view)
    wanted = np.linspace(0.0, level[-1], _AXIS_POINTS)
    axis = np.column_stack([np.interp(wanted, level, view[:, k]) for k in (0, 1)]) - view[0]
    length = float(np.linalg.norm(axis[-1]))
    chord = axis[-1] / length
    x, y = axis @ chord / length, axis @ np.array([-chord[1], chord[0]]) / length
    polynomial = np.polynomial.Polynomial.fit(x, y, _DEGREE)
    at = np.linspace(0.0, 1.0, 201)
    angle = np.degrees(np.arctan(polynomial.deriv()(at)))
    return (at[:-1] + at[1:]) / 2.0, np.diff(angle)
