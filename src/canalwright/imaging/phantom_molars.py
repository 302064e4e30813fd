"""Invented molars with three roots, with or without a second mesial canal that joins the first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.curves import arc_length_mm, resampled
from canalwright.imaging.phantom import PhantomCanal, RootPhantom
from canalwright.imaging.phantom_shapes import Block, Tube, integrated_curve

__all__ = ["three_rooted_phantom"]

Floats = NDArray[np.float64]

_STEP_MM = 0.02
_LEAD_MM, _BEYOND_MM = 1.0, 0.7
_SURFACE_LEVEL_MM = 0.35


@dataclass(frozen=True, slots=True)
class _RootPlan:
    """One root: where its canal begins and leans, and (wide, narrow) sizes.

    The pairs of sizes belong to the apical and to the coronal end; the wide axis of canal and
    root lies along `wide_along`.
    """

    name: str
    orifice_mm: tuple[float, float]
    lean: tuple[float, float]
    wide_along: tuple[float, float, float]
    canal_apical_mm: tuple[float, float]
    canal_coronal_mm: tuple[float, float]
    root_apical_mm: tuple[float, float]
    root_coronal_mm: tuple[float, float]


_BUCCAL_LINGUAL = (1.0, 0.0, 0.0)
_FRONT_BACK = (0.0, 1.0, 0.0)
_ROOTS = (
    _RootPlan("mesiobuccal", (2.3, -1.9), (0.06, -0.12), _BUCCAL_LINGUAL,
              (0.30, 0.22), (0.60, 0.42), (2.6, 2.1), (4.6, 2.9)),
    _RootPlan("distobuccal", (2.1, 1.7), (0.10, 0.16), _BUCCAL_LINGUAL,
              (0.28, 0.22), (0.55, 0.42), (2.2, 2.0), (3.4, 2.9)),
    _RootPlan("palatal", (-2.3, 0.2), (-0.28, 0.02), _FRONT_BACK,
              (0.36, 0.28), (0.95, 0.70), (2.7, 2.2), (4.4, 3.4)),
)  # fmt: skip
_SECOND_MESIAL_MM = (0.85, -1.75)


def three_rooted_phantom(seed: int = 0, *, joined: bool = False) -> RootPhantom:
    """Return an invented upper molar: two buccal roots and a palatal one, in bone.

    Seeds vary lengths (10.5 to 13 mm), curves (arcs of 5° to 32°) and sizes. The apices point
    down in the volume, as in all phantoms. Shapes and sizes are invented.

    Parameters
    ----------
    seed : int
    joined : bool
        Adds ``second mesiobuccal``: its own orifice, and a course that joins the mesiobuccal
        canal 2.5 to 5 mm from the terminus. Its level 0 is the junction.

    Returns
    -------
    RootPhantom
        Canals ``mesiobuccal``, ``distobuccal``, ``palatal`` and, if asked for, the second one.
    """
    rng = np.random.default_rng([31337, seed])
    canals = [_canal(plan, rng) for plan in _ROOTS]
    roots = tuple(_root(plan, canal) for plan, canal in zip(_ROOTS, canals, strict=True))
    if joined:
        canals.append(_joining(canals[0], rng))
    reach = [root.points_mm - root.wide_mm.max() / 2.0 for root in roots]
    low = np.minimum(np.concatenate(reach).min(axis=0), -6.5)
    reach = [root.points_mm + root.wide_mm.max() / 2.0 for root in roots]
    high = np.maximum(np.concatenate(reach).max(axis=0), 6.5)
    deepest = min(float(root.points_mm[:, 2].min()) for root in roots)
    kind = "with a joining canal" if joined else "with three canals"
    return RootPhantom(
        name=f"invented three-rooted molar {kind}, seed {seed}",
        canals=tuple(canals),
        roots=roots,
        crown=Block((0.0, 0.0, 3.6), (5.2, 5.0, 4.4)),
        chamber=Block((0.0, 0.0, 1.5), (3.1, 2.7, 1.3)),
        surround="bone",
        crest_mm=-1.5,
        low_mm=(float(low[0]), float(low[1]), deepest - 2.2),
        high_mm=(float(high[0]), float(high[1]), 8.8),
        seed=seed,
    )


def _canal(plan: _RootPlan, rng: np.random.Generator) -> PhantomCanal:
    """Return a canal that bends along one arc in its apical half."""
    length = rng.uniform(10.5, 13.0)
    lean = np.array(plan.lean) + rng.normal(0.0, 0.02, 2)
    start = np.array([*(np.array(plan.orifice_mm) + rng.normal(0.0, 0.08, 2)), 0.0])
    points, level, curvature = _course(start, np.array([*lean, -1.0]), length, rng)
    scale = 1.0 + 0.06 * rng.standard_normal(2)
    wide = _widths(level, length, plan.canal_apical_mm[0], plan.canal_coronal_mm[0] * scale[0])
    narrow = _widths(level, length, plan.canal_apical_mm[1], plan.canal_coronal_mm[1] * scale[1])
    tube = Tube.along(
        points, level, wide_mm=np.maximum(wide, narrow), narrow_mm=narrow, toward=plan.wide_along
    )
    return PhantomCanal(plan.name, tube, length, curvature)


def _course(
    start: Floats, down: Floats, length_mm: float, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    """Return points (apical end first), levels and curvature; the arc turns back to the axis."""
    down = down / np.linalg.norm(down)
    count = round((_LEAD_MM + length_mm + _BEYOND_MM) / _STEP_MM)
    depth = (np.arange(count) + 0.5) * _STEP_MM - _LEAD_MM
    begin, radius = rng.uniform(4.5, 6.5), rng.uniform(8.0, 14.0)
    end = begin + np.deg2rad(rng.uniform(5.0, 32.0)) * radius
    bend = np.where((depth > begin) & (depth < end), 1.0 / radius, 0.0)
    inward = -np.array([start[0], start[1], 0.0])
    points = integrated_curve(
        start - _LEAD_MM * down, down, inward, bend, np.zeros(count), _STEP_MM
    )
    level = length_mm + _LEAD_MM - np.arange(count + 1) * _STEP_MM
    curvature = np.append(bend, bend[-1])
    return points[::-1], np.asarray(level[::-1], float), np.asarray(curvature[::-1], float)


def _widths(level: Floats, length_mm: float, apical_mm: float, coronal_mm: float) -> Floats:
    """Widen from terminus to orifice, and open a little beyond both."""
    share = np.clip(level / length_mm, 0.0, 1.0)
    flare = 0.25 * np.clip(level - length_mm, 0.0, None) ** 1.5
    foramen = 0.12 * np.clip(-level, 0.0, None)
    return np.asarray(apical_mm + (coronal_mm - apical_mm) * share + flare + foramen, float)


def _root(plan: _RootPlan, canal: PhantomCanal) -> Tube:
    tube = canal.tube
    keep = tube.level_mm >= _SURFACE_LEVEL_MM
    level = tube.level_mm[keep] - tube.level_mm[keep][0]
    points = tube.points_mm[keep]
    share = np.clip(level / level[-1], 0.0, 1.0) ** 0.8
    if plan.name == "mesiobuccal":
        # The root is wide toward the palate, where a second canal finds room.
        points = points - 0.75 * share[:, None] * np.array([1.0, 0.0, 0.0])
    (wide0, narrow0), (wide1, narrow1) = plan.root_apical_mm, plan.root_coronal_mm
    return Tube.along(
        points,
        level,
        wide_mm=wide0 + (wide1 - wide0) * share,
        narrow_mm=narrow0 + (narrow1 - narrow0) * share,
        toward=plan.wide_along,
        cap_mm=0.9,
    )


def _joining(main: PhantomCanal, rng: np.random.Generator) -> PhantomCanal:
    """Return a second canal of the mesiobuccal root that runs into the first."""
    junction = rng.uniform(2.5, 5.0)
    start = np.array([*(np.array(_SECOND_MESIAL_MM) + rng.normal(0.0, 0.08, 2)), 0.0])
    end, before = main.point_mm(junction), main.point_mm(junction - 0.5)
    along = np.stack([[0.0, 0.0, -1.0], (before - end) / 0.5]) * np.linalg.norm(end - start)
    t = np.linspace(0.0, 1.0, 400)[:, None]
    points = (
        (2 * t**3 - 3 * t**2 + 1) * start
        + (t**3 - 2 * t**2 + t) * along[0]
        + (3 * t**2 - 2 * t**3) * end
        + (t**3 - t**2) * along[1]
    )
    lead = start + np.array([0.0, 0.0, 1.0]) * np.linspace(_LEAD_MM, 0.0, 50)[:-1, None]
    curve = resampled(np.concatenate([lead, points])[::-1], _STEP_MM)
    level = arc_length_mm(curve)
    length = float(level[np.argmin(np.linalg.norm(curve - start, axis=1))])
    tube = Tube.along(
        curve,
        level,
        wide_mm=_widths(level, length, 0.30, 0.42),
        narrow_mm=_widths(level, length, 0.24, 0.34),
        toward=_BUCCAL_LINGUAL,
    )
    return PhantomCanal("second mesiobuccal", tube, length, _curvature(curve, level))


def _curvature(points: Floats, level: Floats) -> Floats:
    tangent = np.gradient(points, level, axis=0)
    turn = np.linalg.norm(np.gradient(tangent, level, axis=0), axis=1)
    return np.asarray(turn, float)
