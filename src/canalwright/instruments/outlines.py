"""Outlines of instrument sections and the fibers they consist of, for a circumscribed circle D = 1.

Every outline is centered on the axis, runs counterclockwise, and is given as polar curves between
corners, so that a ray from the axis meets it once. ``core_ratio`` is the diameter of the largest
circle inside the section over D; the depth of a flute is ``(1 − core_ratio)/2 · D``.

- circle: no core ratio.
- square, triangle: corners on the circle, sides are circular arcs through the core circle at
  their middle. The straight sides have the core ratio 0.7071 (square) and 0.5 (triangle); above
  it the sides bulge (convex), below it they are hollow.
- rectangle: corners on the circle, the short side is the core diameter.
- S: two flutes, point-symmetric. Each flute is, from its cutting edge on, a circular arc down to
  the core circle, and from there a straight back tangent to the core. The arc has 1.25 times the
  radius with which it would meet the circle radially, so the rake is negative.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import OutOfRange
from canalwright.instruments.instrument import SectionShape

__all__ = [
    "CORE_RATIO_RANGE",
    "STRAIGHT_CORE_RATIO",
    "Fibers",
    "Piece",
    "outline",
    "outline_pieces",
    "principal_angle_rad",
    "section_fibers",
]

Floats = NDArray[np.float64]

STRAIGHT_CORE_RATIO: dict[SectionShape, float] = {
    SectionShape.CIRCLE: 1.0,
    SectionShape.SQUARE: math.sqrt(0.5),
    SectionShape.TRIANGLE: 0.5,
    SectionShape.RECTANGLE: 0.5,
    SectionShape.S: 0.4,
}
"""Core ratio taken where none is given: straight sides, and a usual one for rectangle and S."""

CORE_RATIO_RANGE: dict[SectionShape, tuple[float, float]] = {
    SectionShape.CIRCLE: (1.0, 1.0),
    SectionShape.SQUARE: (0.5, 0.9),
    SectionShape.TRIANGLE: (0.35, 0.85),
    SectionShape.RECTANGLE: (0.3, math.sqrt(0.5)),
    SectionShape.S: (0.3, 0.6),
}
"""Core ratios that the table of section constants covers."""

_S_ARC_FACTOR = 1.25


@dataclass(frozen=True, slots=True)
class Piece:
    """A smooth piece of an outline: radius (of D/2 = 0.5) over the angle from `start` to `end`."""

    start_rad: float
    end_rad: float
    radius: Callable[[Floats], Floats]


@dataclass(frozen=True, eq=False)
class Fibers:
    """A section as a bundle of fibers for D = 1.

    Attributes
    ----------
    x, y : ndarray, shape (n,)
        Position over D, the centroid at the origin.
    area_ratio : ndarray, shape (n,)
        Area over D².
    """

    x: Floats
    y: Floats
    area_ratio: Floats


def outline_pieces(shape: SectionShape, core_ratio: float | None = None) -> tuple[Piece, ...]:
    """Return the smooth pieces of an outline, counterclockwise once round.

    Parameters
    ----------
    shape : SectionShape
    core_ratio : float, optional
        `STRAIGHT_CORE_RATIO` when not given.

    Raises
    ------
    OutOfRange
        If the core ratio is outside `CORE_RATIO_RANGE`.
    """
    ratio = checked_core_ratio(shape, core_ratio)
    if shape is SectionShape.CIRCLE:
        return _circle()
    if shape is SectionShape.SQUARE:
        return _arc_sided(4, ratio)
    if shape is SectionShape.TRIANGLE:
        return _arc_sided(3, ratio)
    if shape is SectionShape.RECTANGLE:
        return _rectangle(ratio)
    return _s_shape(ratio)


def checked_core_ratio(shape: SectionShape, core_ratio: float | None) -> float:
    """Return the core ratio to use, refusing one that the shape cannot have."""
    if core_ratio is None:
        return STRAIGHT_CORE_RATIO[shape]
    low, high = CORE_RATIO_RANGE[shape]
    if not low - 1e-9 <= core_ratio <= high + 1e-9:
        raise OutOfRange(
            name=f"core ratio of a {shape.value} section",
            got=core_ratio,
            unit="",
            allowed=(low, high),
            hint="The core ratio is the diameter of the inscribed circle over that of the outer.",
        )
    return min(max(core_ratio, low), high)


def outline(shape: SectionShape, core_ratio: float | None = None, points: int = 360) -> Floats:
    """Return the outline as a polygon for D = 1.

    Parameters
    ----------
    shape, core_ratio
        See `outline_pieces`.
    points : int
        About how many points; every corner is one of them.

    Returns
    -------
    ndarray, shape (n, 2)
        Counterclockwise, not closed.
    """
    pieces = outline_pieces(shape, core_ratio)
    return np.concatenate([_piece_points(piece, points) for piece in pieces])


def section_fibers(
    shape: SectionShape,
    core_ratio: float | None = None,
    *,
    turned_rad: float = 0.0,
    points: int = 240,
    rings: int = 24,
) -> Fibers:
    """Return a section as fibers.

    The polygon is divided into rings and sectors; each cell is a fiber at its centroid with the
    weight that keeps area and second moments (two Gauss points across each ring).

    Parameters
    ----------
    shape, core_ratio, points
        See `outline`.
    turned_rad : float
        The section is turned by this angle, counterclockwise.
    rings : int
        Number of rings.
    """
    corner = outline(shape, core_ratio, points)
    following = np.roll(corner, -1, axis=0)
    twice_triangle = corner[:, 0] * following[:, 1] - corner[:, 1] * following[:, 0]
    rho, rho_weight = _gauss_rings(rings)
    # two Gauss points along each chord
    along = np.array([0.5 - math.sqrt(1 / 12), 0.5 + math.sqrt(1 / 12)])
    chord = corner[:, None, :] * (1 - along[:, None]) + following[:, None, :] * along[:, None]
    point = rho[:, None, None, None] * chord[None]
    area = (rho * rho_weight)[:, None, None] * (twice_triangle[:, None] * [0.5, 0.5])[None]
    x, y = point[..., 0].ravel(), point[..., 1].ravel()
    cos, sin = math.cos(turned_rad), math.sin(turned_rad)
    return Fibers(x * cos - y * sin, x * sin + y * cos, area.ravel())


def principal_angle_rad(shape: SectionShape, core_ratio: float | None = None) -> float:
    """Return the angle of the axis about which the second moment of area is largest."""
    fibers = section_fibers(shape, core_ratio)
    xx = float((fibers.area_ratio * fibers.x**2).sum())
    yy = float((fibers.area_ratio * fibers.y**2).sum())
    xy = float((fibers.area_ratio * fibers.x * fibers.y).sum())
    return 0.5 * math.atan2(-2.0 * xy, yy - xx)


def _gauss_rings(rings: int) -> tuple[Floats, Floats]:
    edges = np.sqrt(np.linspace(0.0, 1.0, rings + 1))
    middle, half = (edges[1:] + edges[:-1]) / 2, (edges[1:] - edges[:-1]) / 2
    offset = half / math.sqrt(3.0)
    rho = np.concatenate([middle - offset, middle + offset])
    return rho, np.concatenate([half, half])


def _piece_points(piece: Piece, points: int) -> Floats:
    span = piece.end_rad - piece.start_rad
    count = max(4, round(points * span / (2 * math.pi)))
    theta = np.linspace(piece.start_rad, piece.end_rad, count, endpoint=False)
    radius = piece.radius(theta)
    return np.column_stack([radius * np.cos(theta), radius * np.sin(theta)])


def _circle() -> tuple[Piece, ...]:
    return (Piece(0.0, 2 * math.pi, lambda theta: np.full_like(theta, 0.5)),)


def _arc_sided(sides: int, ratio: float) -> tuple[Piece, ...]:
    half = math.pi / sides
    middles = [half * (2 * k + 1) for k in range(sides)]
    return tuple(Piece(m - half, m + half, _side(half, ratio, m)) for m in middles)


def _side(half_rad: float, ratio: float, middle_rad: float) -> Callable[[Floats], Floats]:
    """Circular arc from corner to corner through the core circle at `middle_rad`."""
    core, chord = ratio / 2, math.cos(half_rad) / 2
    half_chord = math.sin(half_rad) / 2
    rise = core - chord
    if abs(rise) < 1e-9:
        return lambda theta: chord / np.cos(theta - middle_rad)
    radius = (half_chord**2 + rise**2) / (2 * abs(rise))
    center = core - math.copysign(radius, rise)
    sign = math.copysign(1.0, rise)

    def arc(theta: Floats) -> Floats:
        phi = theta - middle_rad
        root = np.sqrt(radius**2 - (center * np.sin(phi)) ** 2)
        return np.asarray(center * np.cos(phi) + sign * root, float)

    return arc


def _rectangle(ratio: float) -> tuple[Piece, ...]:
    corner = math.asin(ratio)
    short, long = ratio / 2, math.cos(corner) / 2
    spans = [
        (-corner, corner, long, 0.0),
        (corner, math.pi - corner, short, math.pi / 2),
        (math.pi - corner, math.pi + corner, long, math.pi),
        (math.pi + corner, 2 * math.pi - corner, short, 3 * math.pi / 2),
    ]
    return tuple(Piece(a, b, _straight(distance, at)) for a, b, distance, at in spans)


def _straight(distance: float, normal_rad: float) -> Callable[[Floats], Floats]:
    return lambda theta: distance / np.cos(theta - normal_rad)


def _s_shape(ratio: float) -> tuple[Piece, ...]:
    core = ratio / 2
    flute = _S_ARC_FACTOR * (0.25 - core**2) / (2 * core)
    distance = core + flute
    to_edge = math.acos((0.25 + distance**2 - flute**2) / distance)
    back = math.acos(ratio)
    pieces: list[Piece] = []
    for at in (0.0, math.pi):
        pieces += [
            Piece(at - to_edge, at, _flute_arc(distance, flute, at)),
            Piece(at, at + back, _straight(core, at)),
            Piece(at + back, at + math.pi - to_edge, lambda theta: np.full_like(theta, 0.5)),
        ]
    return tuple(pieces)


def _flute_arc(distance: float, flute: float, at_rad: float) -> Callable[[Floats], Floats]:
    def arc(theta: Floats) -> Floats:
        phi = theta - at_rad
        root = np.sqrt(flute**2 - (distance * np.sin(phi)) ** 2)
        return np.asarray(distance * np.cos(phi) - root, float)

    return arc
