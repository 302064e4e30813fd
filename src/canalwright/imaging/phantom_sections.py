"""Phantoms whose canal is not an ellipse: ribbon, C-shape, two canals with an isthmus.

The section is the same at every level; the lumen is a union of parallel tubes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.phantom import PhantomCanal, RootPhantom
from canalwright.imaging.phantom_shapes import Block, Tube

__all__ = ["SECTION_KINDS", "ShapedPhantom", "shaped_phantom"]

Floats = NDArray[np.float64]

SECTION_KINDS = ("ribbon", "c-shape", "isthmus")

_LENGTH_MM = 10.0
_STEP_MM = 0.02
_MASK_MM = 0.004


@dataclass(frozen=True, slots=True)
class _Ellipse:
    x_mm: float
    y_mm: float
    wide_mm: float
    narrow_mm: float
    angle_rad: float = 0.0


@dataclass(frozen=True, eq=False)
class ShapedPhantom:
    """A root whose canal has a constant, non-circular section.

    Attributes
    ----------
    root : RootPhantom
        One canal, ``main``, along the centroid of the section.
    diameter_mm : float
        Equivalent diameter of the section.
    narrow_mm, wide_mm : float
        Smallest and largest caliper width.
    """

    root: RootPhantom
    diameter_mm: float
    narrow_mm: float
    wide_mm: float


def shaped_phantom(kind: str, seed: int, surround: str = "air") -> ShapedPhantom:
    """Return a root with a ribbon, C-shaped or isthmus canal, tilted at random.

    Parameters
    ----------
    kind : str
        One of `SECTION_KINDS`.
    seed : int
    surround : str
        ``"air"`` or ``"bone"``.
    """
    rng = np.random.default_rng([90210, seed])
    parts = _section(kind, 1.0 + 0.1 * rng.standard_normal())
    inside, grid = _mask(parts)
    center = grid[inside].mean(axis=0)
    azimuth, lean = rng.uniform(0.0, 2.0 * np.pi), np.deg2rad(rng.uniform(2.0, 8.0))
    up = np.array([np.sin(lean) * np.cos(azimuth), np.sin(lean) * np.sin(azimuth), np.cos(lean)])
    level = np.arange(-1.0, _LENGTH_MM + 2.5, _STEP_MM)
    turn = rng.uniform(0.0, 2.0 * np.pi)
    toward = np.array([np.cos(turn), np.sin(turn), 0.0])
    axis = Tube.along(level[:, None] * up, level, wide_mm=0.1, narrow_mm=0.1, toward=toward)
    tubes = [_placed(axis, level, part, center) for part in parts]
    canal = PhantomCanal("main", _thread(axis), _LENGTH_MM, np.zeros(len(level)), 0.0, tuple(tubes))
    root = RootPhantom(
        name=f"invented {kind} root, seed {seed}",
        canals=(canal,),
        roots=(Tube.along(axis.points_mm, level, wide_mm=6.0, narrow_mm=5.0, toward=toward),),
        low_mm=(-5.0, -5.0, -0.5),
        high_mm=(5.0, 5.0, _LENGTH_MM + 2.0),
        chamber=_chamber(axis),
        surround=surround,
        seed=seed,
    )
    area = inside.sum() * _MASK_MM**2
    narrow, wide = _calipers(grid[inside])
    return ShapedPhantom(root, float(2.0 * np.sqrt(area / np.pi)), narrow, wide)


def _section(kind: str, scale: float) -> list[_Ellipse]:
    if kind == "ribbon":
        return [_Ellipse(0.0, 0.0, 1.8 * scale, 0.3 * scale)]
    if kind == "isthmus":
        return [
            _Ellipse(-0.7 * scale, 0.0, 0.45 * scale, 0.4 * scale),
            _Ellipse(0.7 * scale, 0.0, 0.5 * scale, 0.4 * scale),
            _Ellipse(0.0, 0.0, 1.5 * scale, 0.16 * scale),
        ]
    if kind == "c-shape":
        angles = np.deg2rad(np.linspace(-70.0, 70.0, 15))
        return [
            _Ellipse(
                0.9 * scale * np.cos(a), 0.9 * scale * np.sin(a), 0.35 * scale, 0.3 * scale,
                float(a) + np.pi / 2.0,
            )
            for a in angles
        ]  # fmt: skip
    raise ValueError(kind)


def _mask(parts: list[_Ellipse]) -> tuple[NDArray[np.bool_], Floats]:
    """Return a fine mask of the union and the positions of its points."""
    axis = np.arange(-1.6, 1.6, _MASK_MM)
    x, y = np.meshgrid(axis, axis, indexing="ij")
    inside = np.zeros(x.shape, bool)
    for part in parts:
        cosine, sine = np.cos(part.angle_rad), np.sin(part.angle_rad)
        u = cosine * (x - part.x_mm) + sine * (y - part.y_mm)
        v = cosine * (y - part.y_mm) - sine * (x - part.x_mm)
        inside |= (2.0 * u / part.wide_mm) ** 2 + (2.0 * v / part.narrow_mm) ** 2 <= 1.0
    return inside, np.stack([x, y], axis=-1)


def _calipers(points: Floats) -> tuple[float, float]:
    angle = np.linspace(0.0, np.pi, 90, endpoint=False)
    along = points @ np.stack([np.cos(angle), np.sin(angle)])
    width = along.max(axis=0) - along.min(axis=0)
    return float(width.min()), float(width.max())


def _placed(axis: Tube, level: Floats, part: _Ellipse, center: Floats) -> Tube:
    """Return one tube, shifted off the axis by the part's place in the section."""
    offset = (part.x_mm - center[0]) * axis.direction0[0] + (
        part.y_mm - center[1]
    ) * axis.direction1[0]
    return Tube.along(
        axis.points_mm + offset,
        level,
        wide_mm=part.wide_mm,
        narrow_mm=part.narrow_mm,
        angle_rad=part.angle_rad,
        toward=axis.direction0[0],
    )


def _chamber(axis: Tube) -> Block:
    """Return a hollow 0.5 mm above the orifice, as a place where the lumen's gray is seen."""
    x, y, _ = axis.points_mm[-1]
    return Block((float(x), float(y), _LENGTH_MM + 1.2), (1.8, 1.8, 0.7))


def _thread(axis: Tube) -> Tube:
    """Return a thread along the centroid, thin enough not to show."""
    return Tube.along(
        axis.points_mm,
        axis.level_mm,
        wide_mm=0.002,
        narrow_mm=0.002,
        toward=axis.direction0[0],
    )
