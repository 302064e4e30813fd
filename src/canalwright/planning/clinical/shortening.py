"""How much a working length shortens as the canal straightens or is flared.

The way of an instrument is longest along the axis of a curved canal. With room on the inside of
the curve it cuts the corner; the shortest way through the room there is, is the way of a taut
string. A real instrument lies between the two, so the difference is an upper bound. The way from
the orifice to the coronal reference is not in the image and is left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange
from canalwright.evidence import Graded
from canalwright.geometry.frames import finite_difference_tangents
from canalwright.geometry.points import polyline_length_mm
from canalwright.planning.clinical.tables import graded, table
from canalwright.shaping.shape import Shape

__all__ = [
    "PublishedShortening",
    "arc_shortening_mm",
    "expected_changes",
    "published_shortening",
    "shortest_way_mm",
    "taut_shortening_mm",
]

Floats = NDArray[np.float64]

_SPACING_MM: Final = 0.4
_SWEEPS: Final = 400
_OVER_RELAXATION: Final = 1.7
_SETTLED_MM: Final = 1e-9


@dataclass(frozen=True, slots=True)
class PublishedShortening:
    """A measured change of working length over a complete preparation.

    Attributes
    ----------
    alloy : str
        ``"stainless"`` or ``"nickel-titanium"``.
    after_flaring : bool
        Whether the length was taken after coronal flaring.
    change_mm : Graded
        Negative: the length got shorter.
    """

    alloy: str
    after_flaring: bool
    change_mm: Graded


def arc_shortening_mm(radius_mm: float, angle_deg: float) -> float:
    """Return by how much an arc is longer than its chord: R(θ − 2 sin(θ/2)).

    Parameters
    ----------
    radius_mm : float
        Above 0.
    angle_deg : float
        0 to 180.

    Raises
    ------
    OutOfRange
        If a value is outside those ranges.
    """
    if not radius_mm > 0.0:
        raise OutOfRange(name="radius", got=radius_mm, unit="mm", allowed=(0.0, None))
    if not 0.0 <= angle_deg <= 180.0:
        raise OutOfRange(name="angle", got=angle_deg, unit="°", allowed=(0.0, 180.0))
    angle = math.radians(angle_deg)
    return radius_mm * (angle - 2.0 * math.sin(angle / 2.0))


def published_shortening() -> tuple[PublishedShortening, ...]:
    """Return the published changes :cite:`davis2002,kumar2013`; studies stand side by side."""
    rows: list[dict[str, Any]] = table("working_length")["shortening"]
    return tuple(
        PublishedShortening(row["alloy"], row["after_flaring"], graded(row, "change_mm", "mm"))
        for row in rows
    )


def expected_changes(alloy: str, *, after_flaring: bool) -> tuple[PublishedShortening, ...]:
    """Return the published changes for an alloy and the time the length was taken.

    Parameters
    ----------
    alloy : {"stainless", "nickel-titanium"}
    after_flaring : bool
        Whether the length was taken after coronal flaring.
    """
    return tuple(
        row
        for row in published_shortening()
        if row.alloy == alloy and row.after_flaring == after_flaring
    )


def taut_shortening_mm(
    canal: Canal, shape: Shape, file_mm: float, *, from_level_mm: float = 0.0
) -> float:
    """Return how much shorter than the axis a taut string of a file's diameter could lie.

    Parameters
    ----------
    canal : Canal
        Its measured axis.
    shape : Shape
        The canal as it is by then, on the same levels.
    file_mm : float
        Diameter of what lies in it.
    from_level_mm : float
        Where the tip sits, on the axis.

    Returns
    -------
    float
        At least 0; an upper bound.
    """
    above = canal.level_mm >= from_level_mm - 1e-9
    level, axis = canal.level_mm[above], canal.centerline_mm[above]
    room = np.maximum(shape.inscribed_mm[above] - file_mm, 0.0) / 2.0
    wanted = np.linspace(level[0], level[-1], max(int(np.ptp(level) / _SPACING_MM), 4) + 1)
    points = np.column_stack([np.interp(wanted, level, axis[:, k]) for k in range(3)])
    return polyline_length_mm(points) - shortest_way_mm(points, np.interp(wanted, level, room))


def shortest_way_mm(axis_mm: Floats, room_mm: Floats) -> float:
    """Return the length of the shortest way through discs across an axis.

    Parameters
    ----------
    axis_mm : ndarray, shape (n, 3)
        Centers of the discs; the first is the fixed end.
    room_mm : ndarray, shape (n,)
        Radii of the discs, at least 0.

    Notes
    -----
    Convex: every point is moved in turn to where its neighbors see each other through its disc,
    in two interleaved sweeps with over-relaxation.
    """
    tangent = finite_difference_tangents(axis_mm)
    way = axis_mm.copy()
    for _ in range(_SWEEPS):
        before = way.copy()
        for first in (1, 2):
            _pull(way, axis_mm, tangent, room_mm, first)
        if float(np.abs(way - before).max()) < _SETTLED_MM:
            break
    return polyline_length_mm(way)


def _pull(way: Floats, axis: Floats, tangent: Floats, room: Floats, first: int) -> None:
    at = np.arange(first, len(way) - 1, 2)
    low, high, normal = way[at - 1], way[at + 1], tangent[at]
    step = high - low
    along = np.einsum("ij,ij->i", step, normal)
    share = np.einsum("ij,ij->i", axis[at] - low, normal) / np.where(along > 0.0, along, 1.0)
    seen = low + np.clip(share, 0.0, 1.0)[:, None] * step
    pulled = way[at] + _OVER_RELAXATION * (seen - way[at])
    way[at] = axis[at] + _within(pulled - axis[at], normal, room[at])
    if (len(way) - 1) % 2 == first % 2:
        last = way[-2] - axis[-1]
        way[-1] = axis[-1] + _within(last[None, :], tangent[-1:], room[-1:])[0]


def _within(offset: Floats, normal: Floats, room: Floats) -> Floats:
    flat = offset - np.einsum("ij,ij->i", offset, normal)[:, None] * normal
    size = np.linalg.norm(flat, axis=1)
    return np.asarray(flat * np.minimum(1.0, room / np.maximum(size, 1e-300))[:, None], float)
