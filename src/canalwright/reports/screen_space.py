"""A tooth, its canal and an instrument as surfaces in space: data for the 3-D view."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright.anatomy.canal import Canal, Floats
from canalwright.geometry.frames import finite_difference_tangents
from canalwright.geometry.sections import directions_rad
from canalwright.instruments.instrument import Instrument
from canalwright.reports.style import ISO_CHIP_COLORS
from canalwright.shaping.shape import Shape

if TYPE_CHECKING:
    from canalwright.mechanics.contacts import WallContact
    from canalwright.mechanics.rod_in_canal import RodInCanal

__all__ = ["canal_surface", "contact_marks", "instrument_surface", "root_surface"]

_CANAL_COLOR: Final = "#d9483b"
_ROOT_COLOR: Final = "#e9dfc2"
_METAL_COLOR: Final = "#b9bec4"
_CONTACT_COLOR: Final = "#ffb000"
_RING: Final = 24
_SEEN_N: Final = 0.02
_LEAST_MARK_MM: Final = 0.09
_MARK_MM_PER_ROOT_N: Final = 0.12


def canal_surface(canal: Canal, shape: Shape, *, color: str = _CANAL_COLOR) -> dict[str, Any]:
    """Return the wall of a canal in the state given."""
    return _tube(_rings(canal, shape.radius_mm), color, opacity=0.4)


def root_surface(canal: Canal) -> dict[str, Any] | None:
    """Return the outer surface round a canal where it is known in most directions, else None."""
    outer = canal.outer_radius_mm
    known = np.mean(np.isfinite(outer), axis=1) > 0.5
    if np.count_nonzero(known) < 2:
        return None
    filled = np.array([_filled(ring) for ring in outer[known]])
    return _tube(_rings(canal, filled, known), _ROOT_COLOR, opacity=0.28)


def instrument_surface(rod: RodInCanal, instrument: Instrument) -> dict[str, Any]:
    """Return an instrument in its true shape in the canal."""
    center = _axis_points(rod)
    tangent = finite_difference_tangents(center)
    side = rod.path.normal_1 - np.sum(rod.path.normal_1 * tangent, axis=1)[:, None] * tangent
    side /= np.linalg.norm(side, axis=1)[:, None]
    other = np.cross(tangent, side)
    angle = directions_rad(_RING)
    ring = (
        np.cos(angle)[None, :, None] * side[:, None] + np.sin(angle)[None, :, None] * other[:, None]
    )
    points = center[:, None] + rod.radius_mm[:, None, None] * ring
    return _tube(points, ISO_CHIP_COLORS.get(instrument.color, _METAL_COLOR), metal=True)


def contact_marks(rod: RodInCanal, contacts: tuple[WallContact, ...]) -> list[dict[str, Any]]:
    """Return a mark for every place where the instrument presses on the wall.

    Marks lie on the wall and grow with the square root of the force.
    """
    return [_mark(rod, contact) for contact in contacts if contact.force_n >= _SEEN_N]


def _mark(rod: RodInCanal, contact: WallContact) -> dict[str, Any]:
    at = int(np.argmin(np.abs(rod.station_mm - contact.station_mm)))
    u, v = rod.wall_direction[at]
    into_wall = u * rod.path.normal_1[at] + v * rod.path.normal_2[at]
    point = _axis_points(rod)[at] + rod.radius_mm[at] * into_wall
    size = max(_LEAST_MARK_MM, _MARK_MM_PER_ROOT_N * float(np.sqrt(contact.force_n)))
    return {"at": point.round(3).tolist(), "radius": round(size, 3), "color": _CONTACT_COLOR}


def _axis_points(rod: RodInCanal) -> Floats:
    path, offset = rod.path, rod.offset_mm
    across = offset[:, :1] * path.normal_1 + offset[:, 1:] * path.normal_2
    return np.asarray(path.center_mm + across, float)


def _rings(canal: Canal, radius_mm: Floats, chosen: Any = slice(None)) -> Floats:
    center = canal.centerline_mm[chosen]
    first = canal.direction0[chosen]
    second = np.cross(finite_difference_tangents(canal.centerline_mm)[chosen], first)
    angle = directions_rad(radius_mm.shape[1])
    ring = (
        np.cos(angle)[None, :, None] * first[:, None]
        + np.sin(angle)[None, :, None] * second[:, None]
    )
    return np.asarray(center[:, None] + radius_mm[:, :, None] * ring, float)


def _filled(ring: Floats) -> Floats:
    """Bridge unknown directions from known neighbors: for the picture only."""
    known = np.flatnonzero(np.isfinite(ring))
    return np.interp(np.arange(len(ring)), known, ring[known], period=len(ring))


def _tube(
    points: Floats, color: str, *, opacity: float = 1.0, metal: bool = False
) -> dict[str, Any]:
    return {
        "rows": points.shape[0],
        "cols": points.shape[1],
        "points": points.reshape(-1).round(3).tolist(),
        "closed": True,
        "color": color,
        "opacity": opacity,
        "metal": metal,
    }
