"""Compiled geometry of one section: the union with a disc, and the room an instrument has.

A section is the distance of the wall from the canal's *original* axis in even directions, and
stays so however far the canal moves: levels and directions keep their meaning through a whole
sequence. What a section cannot hold is a wall that hides behind another as seen from the axis. A
disc that does not contain the axis leaves such a pocket between itself and the section it is united
with; the pocket is filled, and its area is returned so that it can be reported.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = [
    "ROOM_COLUMNS",
    "keep_in_room",
    "room_toward",
    "rooms",
    "smoothed_rooms",
    "unite",
    "united",
]

Floats = NDArray[np.float64]

MATH = {"contract", "arcp", "nsz", "reassoc"}

# Columns of a room: its center, half its width along the wide and the narrow axis, the direction of
# the wide axis.
ROOM_X, ROOM_Y, ROOM_WIDE, ROOM_NARROW, ROOM_COSINE, ROOM_SINE = 0, 1, 2, 3, 4, 5
ROOM_COLUMNS = 6

# Only walls within 45 degrees of a direction stop a move in that direction.
_CONE = math.sqrt(0.5)
_NO_TILT = 1e-8
_FAR_MM = 1e3


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _touches(
    section: Floats,
    cosine: Floats,
    sine: Floats,
    ox: float,
    oy: float,
    c: float,
    shrink: float,
    tx: float,
    ty: float,
) -> bool:
    """Return whether any ray of a section may have to be drawn out; without branches, so fast."""
    met = 0
    apart = 1 if c > 0.0 else 0
    for k in range(section.shape[0]):
        along = shrink * (cosine[k] * tx + sine[k] * ty)
        ex, ey = cosine[k] - along * tx, sine[k] - along * ty
        a, b, r = ex * ex + ey * ey, ex * ox + ey * oy, section[k]
        inside = 1 if (a * r - 2.0 * b) * r + c < 0.0 else 0
        ahead = 1 if a * r < b else 0
        met += inside | (apart & ahead)
    return met > 0


@njit(cache=True, fastmath=MATH, error_model="numpy")
def united(
    section: Floats,
    cosine: Floats,
    sine: Floats,
    x: float,
    y: float,
    radius_mm: float,
    tilt_x: float,
    tilt_y: float,
) -> tuple[float, bool]:
    """Unite a section with a tilted disc; return the area of pockets filled, and if it met a wall.

    The disc's trace is an ellipse, longer by 1/cos of the tilt. `tilt` is the tangent of the tilt
    along the two normals. Rays meet the ellipse at ``r = (b ± √(b² − a c)) / a``.
    """
    steep = tilt_x * tilt_x + tilt_y * tilt_y
    shrink, tx, ty = 0.0, 0.0, 0.0
    if steep > _NO_TILT:
        shrink = 1.0 - 1.0 / math.sqrt(1.0 + steep)
        size = math.sqrt(steep)
        tx, ty = tilt_x / size, tilt_y / size
    along = shrink * (x * tx + y * ty)
    ox, oy = x - along * tx, y - along * ty
    c = ox * ox + oy * oy - radius_mm * radius_mm
    if not _touches(section, cosine, sine, ox, oy, c, shrink, tx, ty):
        return 0.0, False
    filled = 0.0
    for k in range(section.shape[0]):
        along = shrink * (cosine[k] * tx + sine[k] * ty)
        ex, ey = cosine[k] - along * tx, sine[k] - along * ty
        a, b, r = ex * ex + ey * ey, ex * ox + ey * oy, section[k]
        outside = (a * r - 2.0 * b) * r + c >= 0.0
        if outside and (c <= 0.0 or a * r >= b):
            continue
        root = b * b - a * c
        if root <= 0.0:
            continue
        root = math.sqrt(root)
        far = (b + root) / a
        if far <= r:
            continue
        if outside:
            near = (b - root) / a
            filled += 0.5 * (near * near - r * r)
        section[k] = far
    area: float = filled * 2.0 * math.pi / section.shape[0]
    return area, True


@njit(cache=True, fastmath=MATH, error_model="numpy")
def unite(
    section: Floats,
    cosine: Floats,
    sine: Floats,
    x: float,
    y: float,
    radius_mm: float,
    tilt_x: float,
    tilt_y: float,
) -> float:
    """Unite a section with a tilted disc; return the area of pockets that were filled."""
    return united(section, cosine, sine, x, y, radius_mm, tilt_x, tilt_y)[0]


@njit(cache=True, fastmath=MATH, error_model="numpy")
def room_toward(
    section: Floats,
    cosine: Floats,
    sine: Floats,
    x: float,
    y: float,
    ex: float,
    ey: float,
    radius_mm: float,
) -> float:
    """Return how far a disc may move from (x, y) in a direction before it meets the wall.

    Negative where it already overlaps the wall ahead.
    """
    room, square = _FAR_MM, radius_mm * radius_mm
    for k in range(section.shape[0]):
        px, py = section[k] * cosine[k] - x, section[k] * sine[k] - y
        ahead = px * ex + py * ey
        if ahead <= 0.0:
            continue
        away = px * px + py * py
        if ahead * ahead < 0.5 * away:
            continue
        if away <= square:
            # Overlapped already: counts fully straight ahead, and not at the edge of the cone.
            size = math.sqrt(away)
            room = min(room, (size - radius_mm) * (ahead / size - _CONE) / (1.0 - _CONE))
            continue
        across = px * ey - py * ex
        if across * across < square:
            room = min(room, ahead - math.sqrt(square - across * across))
    if room == _FAR_MM:
        # The disc is smaller than the gap between two directions: take the wall straight ahead.
        for k in range(section.shape[0]):
            ahead = cosine[k] * ex + sine[k] * ey
            if ahead > 0.99:
                room = min(room, section[k] * ahead - x * ex - y * ey - radius_mm)
    return room


@njit(cache=True, fastmath=MATH, error_model="numpy")
def rooms(
    sections: Floats,
    cosine: Floats,
    sine: Floats,
    first: int,
    disc: Floats,
    planar: bool,
    plane_x: float,
    plane_y: float,
    room: Floats,
    stale: Floats,
) -> None:
    """Fill the room that a disc has in every stale section from level index `first` on.

    The room is an ellipse: midway between the walls met by moving the disc both ways, first along
    the section's wide axis, then across it; in a planar canal along the plane only.
    """
    for j in range(first, sections.shape[0]):
        if stale[j] == 0.0:
            continue
        stale[j] = 0.0
        section = sections[j]
        area = cx = cy = wave_x = wave_y = 0.0
        for k in range(section.shape[0]):
            square = section[k] * section[k]
            area += square
            cx += square * section[k] * cosine[k]
            cy += square * section[k] * sine[k]
            fourth = square * square
            wave_x += fourth * (cosine[k] * cosine[k] - sine[k] * sine[k])
            wave_y += fourth * 2.0 * cosine[k] * sine[k]
        cx, cy = cx / (1.5 * area), cy / (1.5 * area)
        if planar:
            ex, ey = plane_x, plane_y
            inside = cx * ex + cy * ey
            cx, cy = inside * ex, inside * ey
        else:
            turned = 0.5 * math.atan2(wave_y, wave_x)
            ex, ey = math.cos(turned), math.sin(turned)
        ahead = room_toward(section, cosine, sine, cx, cy, ex, ey, disc[j])
        behind = room_toward(section, cosine, sine, cx, cy, -ex, -ey, disc[j])
        shift, wide = 0.5 * (ahead - behind), 0.5 * (ahead + behind)
        cx, cy = cx + shift * ex, cy + shift * ey
        narrow = wide
        if not planar:
            ahead = room_toward(section, cosine, sine, cx, cy, -ey, ex, disc[j])
            behind = room_toward(section, cosine, sine, cx, cy, ey, -ex, disc[j])
            shift, narrow = 0.5 * (ahead - behind), 0.5 * (ahead + behind)
            cx, cy = cx - shift * ey, cy + shift * ex
        room[j, ROOM_X], room[j, ROOM_Y] = cx, cy
        room[j, ROOM_WIDE], room[j, ROOM_NARROW] = wide, narrow
        room[j, ROOM_COSINE], room[j, ROOM_SINE] = ex, ey


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _averaged(level_mm: Floats, first: int, half_mm: float, given: Floats, out: Floats) -> None:
    for j in range(first, level_mm.shape[0]):
        x = y = weight = 0.0
        for i in range(j, first - 1, -1):
            if level_mm[j] - level_mm[i] > half_mm:
                break
            x, y, weight = x + given[i, 0], y + given[i, 1], weight + 1.0
        for i in range(j + 1, level_mm.shape[0]):
            if level_mm[i] - level_mm[j] > half_mm:
                break
            x, y, weight = x + given[i, 0], y + given[i, 1], weight + 1.0
        out[j, 0], out[j, 1] = x / weight, y / weight


@njit(cache=True, fastmath=MATH, error_model="numpy")
def smoothed_rooms(
    level_mm: Floats,
    first: int,
    half_mm: float,
    steady_mm: Floats,
    room: Floats,
    center: Floats,
    spare: Floats,
) -> None:
    """Fill `center` with the rooms' middles; a disc that binds is held on a steady course instead.

    The steady course is that of the axis, `steady_mm`, plus the smoothed way from there to the
    rooms' middles: an instrument that cuts all round does not follow the roughness of a measured
    wall. Rooms are widened to hold that course; those of binding discs stay negative, which places
    the change from binding to free.
    """
    for j in range(first, level_mm.shape[0]):
        for a in range(2):
            center[j, a] = room[j, a] - steady_mm[j, a]
    _averaged(level_mm, first, half_mm, center, spare)
    _averaged(level_mm, first, half_mm, spare, center)
    for j in range(first, level_mm.shape[0]):
        for a in range(2):
            center[j, a] += steady_mm[j, a]
        ex, ey = room[j, ROOM_COSINE], room[j, ROOM_SINE]
        dx, dy = room[j, ROOM_X] - center[j, 0], room[j, ROOM_Y] - center[j, 1]
        along, wide = _reach(dx * ex + dy * ey, room[j, ROOM_WIDE])
        across, narrow = _reach(dy * ex - dx * ey, room[j, ROOM_NARROW])
        center[j, 0] += along * ex - across * ey
        center[j, 1] += along * ey + across * ex
        if narrow > wide:
            wide, narrow = narrow, wide
            room[j, ROOM_COSINE], room[j, ROOM_SINE] = -ey, ex
        room[j, ROOM_WIDE], room[j, ROOM_NARROW] = wide, narrow


@njit(cache=True, fastmath=MATH, error_model="numpy")
def _reach(middle: float, half: float) -> tuple[float, float]:
    """Return middle and half width of a room that also holds the steady course at 0."""
    if half <= 0.0:
        return 0.0, half
    low, high = min(middle - half, 0.0), max(middle + half, 0.0)
    return 0.5 * (low + high), 0.5 * (high - low)


@njit(cache=True, fastmath=MATH, error_model="numpy")
def keep_in_room(first: int, room: Floats, center: Floats, offset_mm: Floats) -> None:
    """Bring offsets at the levels back into the rooms, onto the center where there is none."""
    for j in range(first, offset_mm.shape[0]):
        dx, dy = offset_mm[j, 0] - center[j, 0], offset_mm[j, 1] - center[j, 1]
        ex, ey = room[j, ROOM_COSINE], room[j, ROOM_SINE]
        along, across = dx * ex + dy * ey, dy * ex - dx * ey
        wide, narrow = room[j, ROOM_WIDE], room[j, ROOM_NARROW]
        if wide <= 0.0:
            along = across = 0.0
        elif narrow <= 0.0:
            along, across = min(max(along, -wide), wide), 0.0
        else:
            out = math.sqrt((along / wide) ** 2 + (across / narrow) ** 2)
            if out > 1.0:
                along, across = along / out, across / out
        offset_mm[j, 0] = center[j, 0] + along * ex - across * ey
        offset_mm[j, 1] = center[j, 1] + along * ey + across * ex
