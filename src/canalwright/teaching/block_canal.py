"""`designed_canal`: a canal by length, curvature, radius, size, taper and section."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.errors import OutOfRange, UnknownName
from canalwright.geometry.sections import ellipse_radius_mm

__all__ = ["SECTIONS", "Bend", "CanalDesign", "designed_canal"]

Floats = NDArray[np.float64]

SECTIONS: Final = {"round": 1.0, "oval": 2.0, "flat": 4.0}
"""Wide over narrow axis of each kind of section (chosen for teaching)."""

_STEP_MM: Final = 0.1
_ROOT_WALL_MM: Final = (0.9, 2.4)


@dataclass(frozen=True, slots=True)
class Bend:
    """A circular arc of a canal.

    Attributes
    ----------
    angle_deg : float
        Turning; negative for the other side, which makes an S.
    radius_mm : float
    """

    angle_deg: float
    radius_mm: float

    @property
    def length_mm(self) -> float:
        """Arc length."""
        return float(np.deg2rad(abs(self.angle_deg)) * self.radius_mm)


@dataclass(frozen=True, slots=True)
class CanalDesign:
    """What a designed canal is to be.

    Attributes
    ----------
    length_mm : float
        Arc length from terminus to orifice, 3 to 40.
    bends : tuple of Bend
        From the terminus up; all in one plane.
    straight_apical_mm : float
        Straight part between the terminus and the first bend.
    size : int
        Narrow width at the terminus in 1/100 mm, 8 to 400.
    taper_mm_per_mm : float
        Growth of the narrow width toward the orifice, 0 to 0.2.
    section : str
        One of `SECTIONS`. The wide axis is normal to the plane of the bends.
    name : str
    """

    length_mm: float = 16.0
    bends: tuple[Bend, ...] = (Bend(30.0, 7.0),)
    straight_apical_mm: float = 1.5
    size: int = 20
    taper_mm_per_mm: float = 0.02
    section: str = "round"
    name: str = "canal"


def designed_canal(design: CanalDesign) -> Canal:
    """Return the canal of a design, marked as invented.

    The coronal end points along +z and the bends lie in the x–z plane; the orifice is the highest
    point. Outside of it stands an invented root: its wall grows from 0.9 to 2.4 mm.

    Parameters
    ----------
    design : CanalDesign

    Returns
    -------
    Canal
        Levels about every 0.1 mm.

    Raises
    ------
    OutOfRange
        If a number is impossible, the bends do not fit into the length, or the canal is wider
        than its sharpest bend lets it be.
    UnknownName
        If the section is none of `SECTIONS`.

    Examples
    --------
    >>> canal = designed_canal(CanalDesign(length_mm=16.0, bends=(Bend(40.0, 5.0),)))
    >>> round(canal.length_mm, 3)
    16.0
    """
    _check(design)
    count = round(design.length_mm / _STEP_MM)
    level = np.linspace(0.0, design.length_mm, count + 1)
    points = _course(design, level)
    narrow = design.size / 100.0 + design.taper_mm_per_mm * level
    wide = narrow * SECTIONS[design.section]
    # The plane of the bends is y = 0, so direction 0 lies along y and the wide axis with it.
    across = np.tile([0.0, 1.0, 0.0], (count + 1, 1))
    radius = ellipse_radius_mm(wide, narrow)
    _require_room(design, wide)
    zero = np.zeros(count + 1)
    return Canal(
        name=design.name,
        level_mm=level,
        centerline_mm=points,
        direction0=across,
        radius_mm=radius,
        outer_radius_mm=radius + _root_wall_mm(level)[:, None],
        diameter_sd_mm=zero,
        narrow_sd_mm=zero,
        wide_sd_mm=zero,
        dentin_sd_mm=zero,
        provenance=Provenance(source="designed canal", methods=("designed",), invented=True),
    )


def _check(design: CanalDesign) -> None:
    if design.section not in SECTIONS:
        raise UnknownName(kind="section", got=design.section, known=tuple(SECTIONS))
    _require("length of a designed canal", design.length_mm, "mm", 3.0, 40.0)
    _require("size at the terminus", design.size, "1/100 mm", 8, 400)
    _require("taper of a designed canal", design.taper_mm_per_mm, "mm/mm", 0.0, 0.2)
    _require("straight part at the terminus", design.straight_apical_mm, "mm", 0.0, 40.0)
    for bend in design.bends:
        _require("radius of a bend", bend.radius_mm, "mm", 1.0, 200.0)
        _require("angle of a bend", bend.angle_deg, "°", -120.0, 120.0)
    needed = design.straight_apical_mm + sum(bend.length_mm for bend in design.bends)
    if needed > design.length_mm:
        raise OutOfRange(
            name="length of the bends and the straight apical part",
            got=needed,
            unit="mm",
            allowed=(0.0, design.length_mm),
            hint="An arc is its angle in radians times its radius; take a smaller one of them.",
        )


def _require(name: str, value: float, unit: str, low: float, high: float) -> None:
    if not low <= value <= high:
        raise OutOfRange(name=name, got=value, unit=unit, allowed=(low, high))


def _require_room(design: CanalDesign, wide_mm: Floats) -> None:
    sharpest = min((bend.radius_mm for bend in design.bends), default=np.inf)
    if wide_mm.max() / 2.0 > 0.9 * sharpest:
        raise OutOfRange(
            name="half the width of the canal",
            got=float(wide_mm.max() / 2.0),
            unit="mm",
            allowed=(0.0, 0.9 * sharpest),
            hint="A canal cannot be wider than its bend; take a larger radius or a smaller taper.",
        )


def _course(design: CanalDesign, level_mm: Floats) -> Floats:
    """Return exact points of straight parts and arcs, terminus first, orifice at the origin."""
    edges, angles = _tangent_angles(design)
    fine = np.unique(np.concatenate([level_mm, edges]))
    tangent = np.interp(fine, edges, angles)
    steps = _chords(fine, tangent)
    placed = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    placed -= placed[-1]
    x, z = (np.interp(level_mm, fine, placed[:, k]) for k in range(2))
    return np.stack([x, np.zeros(len(level_mm)), z], axis=1)


def _tangent_angles(design: CanalDesign) -> tuple[Floats, Floats]:
    """Return levels and the angle of the tangent from +z there, linear in between."""
    edges, turned = [0.0, design.straight_apical_mm], [0.0, 0.0]
    for bend in design.bends:
        edges.append(edges[-1] + bend.length_mm)
        turned.append(turned[-1] + np.deg2rad(bend.angle_deg))
    edges.append(max(design.length_mm, edges[-1]))
    turned.append(turned[-1])
    return np.array(edges), np.array(turned) - turned[-1]


def _chords(level_mm: Floats, angle_rad: Floats) -> Floats:
    """Return the (x, z) chord of every circular piece."""
    length = np.diff(level_mm)
    half = np.diff(angle_rad) / 2.0
    middle = angle_rad[:-1] + half
    chord = length * np.sinc(half / np.pi)
    return np.stack([chord * np.sin(middle), chord * np.cos(middle)], axis=1)


def _root_wall_mm(level_mm: Floats) -> Floats:
    low, high = _ROOT_WALL_MM
    return np.asarray(low + (high - low) * (level_mm / level_mm[-1]) ** 0.8, float)
