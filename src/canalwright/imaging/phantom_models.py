"""Ready phantoms: an invented lower molar and seeded single roots.

Sizes follow published orders of magnitude (physiological foramen of lower molar mesial roots
0.24 ± 0.07 by 0.39 ± 0.22 mm, :cite:`wolf2017`; mesiodistal diameters 0.22 to 0.36 mm at the 1 to
4 mm levels, :cite:`villasboas2011`); the shapes themselves are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.phantom import PhantomCanal, RootPhantom
from canalwright.imaging.phantom_shapes import Block, Tube, integrated_curve

__all__ = ["demo_phantom", "root_phantom"]

Floats = NDArray[np.float64]

_STEP_MM = 0.02
_CORONAL_LEAD_MM = 1.0


@dataclass(frozen=True, slots=True)
class _Course:
    """A canal's way from the orifice down: a gentle bend, then an arc, then straight."""

    start_mm: tuple[float, float, float]
    tangent: tuple[float, float, float]
    toward: tuple[float, float, float]
    length_mm: float
    gentle_per_mm: float
    arc_from_mm: float
    arc_deg: float
    arc_radius_mm: float
    beyond_mm: float


def _follow(course: _Course) -> tuple[Floats, Floats, Floats]:
    """Return points (apical end first), levels and curvature of a course."""
    total = _CORONAL_LEAD_MM + course.length_mm + course.beyond_mm
    count = round(total / _STEP_MM)
    depth = (np.arange(count) + 0.5) * _STEP_MM - _CORONAL_LEAD_MM
    arc_end = course.arc_from_mm + np.deg2rad(course.arc_deg) * course.arc_radius_mm
    bend = np.where((depth > 0.0) & (depth < course.arc_from_mm), course.gentle_per_mm, 0.0)
    bend = np.where(
        (depth >= course.arc_from_mm) & (depth < arc_end), 1.0 / course.arc_radius_mm, bend
    )
    down = np.asarray(course.tangent) / np.linalg.norm(course.tangent)
    start = np.asarray(course.start_mm) - _CORONAL_LEAD_MM * down
    points = integrated_curve(start, down, course.toward, bend, np.zeros(count), _STEP_MM)
    level = course.length_mm + _CORONAL_LEAD_MM - np.arange(count + 1) * _STEP_MM
    curvature = np.abs(np.append(bend, bend[-1]))
    return points[::-1], np.asarray(level[::-1], float), np.asarray(curvature[::-1], float)


def _canal(
    name: str,
    course: _Course,
    narrow_mm: tuple[float, float],
    wide_mm: tuple[float, float],
) -> PhantomCanal:
    """Return a canal whose axes grow from terminus to orifice, opening beyond both ends."""
    points, level, curvature = _follow(course)
    share = np.clip(level / course.length_mm, 0.0, 1.0)
    flare = 0.25 * np.clip(level - course.length_mm, 0.0, None) ** 1.5
    foramen = 0.12 * np.clip(-level, 0.0, None)
    narrow = narrow_mm[0] + (narrow_mm[1] - narrow_mm[0]) * share**1.1 + flare + foramen
    wide = wide_mm[0] + (wide_mm[1] - wide_mm[0]) * share**1.1 + flare + foramen
    tube = Tube.along(points, level, wide_mm=wide, narrow_mm=narrow)
    return PhantomCanal(name, tube, course.length_mm, curvature)


def _root(
    points_mm: Floats,
    level_mm: Floats,
    apical_mm: tuple[float, float],
    coronal_mm: tuple[float, float],
    cap_mm: float,
) -> Tube:
    """Return an outer surface from (wide, narrow) at its apical end to those at the orifice."""
    share = np.clip(level_mm / level_mm[-1], 0.0, 1.0) ** 0.8
    return Tube.along(
        points_mm,
        level_mm,
        wide_mm=apical_mm[0] + (coronal_mm[0] - apical_mm[0]) * share,
        narrow_mm=apical_mm[1] + (coronal_mm[1] - apical_mm[1]) * share,
        cap_mm=cap_mm,
    )


def _between(first: PhantomCanal, second: PhantomCanal) -> tuple[Floats, Floats]:
    """Return the line midway between two canals, as far as both go."""
    count = min(len(first.tube.points_mm), len(second.tube.points_mm))
    middle = (first.tube.points_mm[-count:] + second.tube.points_mm[-count:]) / 2.0
    return middle, first.tube.level_mm[-count:]


def demo_phantom(seed: int = 0) -> RootPhantom:
    """Return an invented lower-left first molar with two mesial canals and a distal one.

    The mesial canals turn by about 32° on a radius of about 7.5 mm in the apical half. Bone
    surrounds the roots below the crest; the chamber lies above the orifices. Different seeds are
    different teeth: curve, lengths and sizes of canals vary, and from seed 0 on also the crown,
    the roots' widths and the way of the distal root.

    Parameters
    ----------
    seed : int

    Returns
    -------
    RootPhantom
        Canals ``mesiobuccal``, ``mesiolingual`` and ``distal``; 24 × 13 × 13 mm.
    """
    rng = np.random.default_rng([20260, seed])
    vary = 1.0 + 0.03 * rng.standard_normal(8)
    angle, radius = 32.0 * vary[0], 7.5 * vary[1]
    mesial = [
        _mesial_canal(name, side, angle * turn, radius, 13.0 + rng.uniform(-0.3, 0.3), rng)
        for name, side, turn in (("mesiobuccal", 1.0, 1.0), ("mesiolingual", -1.0, 0.9))
    ]
    crown, mesial_root, lean, further = _habitus(seed)
    distal = _canal(
        "distal",
        _Course((0.0, 2.5 + 0.2 * further, 0.0), (lean[0], 0.12 + lean[1], -1.0),
                (0.0, -1.0, 0.0), 12.6 + 0.4 * further, 0.0, 5.0, 12.0, 15.0, 0.7),
        (0.30 * vary[2], 0.80 * vary[3]),
        (0.46 * vary[4], 1.20 * vary[5]),
    )  # fmt: skip
    line, level = _between(mesial[0], mesial[1])
    keep = level >= 0.35
    roots = (
        _root(
            line[keep],
            level[keep] - level[keep][0],
            (4.1 * mesial_root[0], 2.3 * mesial_root[1]),
            (6.1 * mesial_root[0], 3.6 * mesial_root[1]),
            0.9,
        ),
        _distal_root(distal),
    )
    return RootPhantom(
        name=f"invented lower molar, seed {seed}",
        canals=(*mesial, distal),
        roots=roots,
        crown=Block((0.0, 0.1, 3.6), (5.0 * crown[0], 5.5 * crown[1], 4.4 * crown[2])),
        chamber=Block((0.0, 0.1, 1.5), (2.0, 3.2, 1.3)),
        surround="bone",
        crest_mm=-1.5,
        low_mm=(-6.5, -6.6, -14.8),
        high_mm=(6.5, 6.9, 8.8),
        seed=seed,
    )


def _habitus(
    seed: int,
) -> tuple[tuple[float, float, float], tuple[float, float], tuple[float, float], float]:
    """Return factors of the crown and the mesial root, and the distal root's lean and offset.

    Seed 0 is the tooth of the worked examples and stays as it is.
    """
    if seed == 0:
        return (1.0, 1.0, 1.0), (1.0, 1.0), (0.0, 0.0), 0.0
    draw = np.clip(np.random.default_rng([20261, seed]).standard_normal(8), -2.0, 2.0)
    crown, root = 1.0 + 0.05 * draw[:3], 1.0 + 0.06 * draw[3:5]
    return (
        (float(crown[0]), float(crown[1]), float(crown[2])),
        (float(root[0]), float(root[1])),
        (0.05 * float(draw[5]), 0.04 * float(draw[6])),
        float(draw[7]),
    )


def _mesial_canal(
    name: str,
    side: float,
    angle_deg: float,
    radius_mm: float,
    length_mm: float,
    rng: np.random.Generator,
) -> PhantomCanal:
    course = _Course(
        start_mm=(1.25 * side, -2.3, 0.0),
        tangent=(-0.03 * side, -0.10, -1.0),
        toward=(0.0, 1.0, 0.0),
        length_mm=length_mm,
        gentle_per_mm=0.006,
        arc_from_mm=6.6,
        arc_deg=angle_deg,
        arc_radius_mm=radius_mm,
        beyond_mm=0.7,
    )
    size = 1.0 + 0.04 * rng.standard_normal(2)
    return _canal(name, course, (0.20 * size[0], 0.72 * size[1]), (0.28 * size[0], 0.88 * size[1]))


def _distal_root(canal: PhantomCanal) -> Tube:
    tube = canal.tube
    keep = tube.level_mm >= 0.35
    level = tube.level_mm[keep]
    return _root(tube.points_mm[keep], level - level[0], (2.4, 2.1), (4.6, 3.6), 0.9)


def root_phantom(
    seed: int,
    *,
    terminus_diameter_mm: float | None = None,
    orifice_diameter_mm: float | None = None,
    surround: str = "air",
    narrowed_mm: float | None = None,
) -> RootPhantom:
    """Return a seeded single root whose canal turns in a random direction.

    Parameters
    ----------
    seed : int
    terminus_diameter_mm, orifice_diameter_mm : float, optional
        Equivalent diameters; drawn from 0.20 to 0.32 and 0.55 to 1.0 mm if not given.
    surround : str
        ``"air"`` or ``"bone"``.
    narrowed_mm : float, optional
        Equivalent diameter that calcification leaves over about 1.5 mm near the 2 mm level.

    Returns
    -------
    RootPhantom
        One canal, ``main``.
    """
    rng = np.random.default_rng([4711, seed])
    azimuth, lean = rng.uniform(0.0, 2.0 * np.pi), np.deg2rad(rng.uniform(2.0, 10.0))
    course = _Course(
        start_mm=(0.0, 0.0, 0.0),
        tangent=(np.sin(lean) * np.cos(azimuth), np.sin(lean) * np.sin(azimuth), -np.cos(lean)),
        toward=_horizontal(rng.uniform(0.0, 2.0 * np.pi)),
        length_mm=rng.uniform(10.0, 13.0),
        gentle_per_mm=rng.uniform(0.0, 0.02),
        arc_from_mm=rng.uniform(4.0, 6.0),
        arc_deg=rng.uniform(10.0, 45.0),
        arc_radius_mm=rng.uniform(5.0, 10.0),
        beyond_mm=0.7,
    )
    apical = terminus_diameter_mm or rng.uniform(0.20, 0.32)
    coronal = orifice_diameter_mm or rng.uniform(0.55, 1.0)
    aspect = np.sqrt([rng.uniform(1.0, 1.4), rng.uniform(1.0, 1.9)])
    canal = _canal(
        "main",
        course,
        (apical / aspect[0], coronal / aspect[1]),
        (apical * aspect[0], coronal * aspect[1]),
    )
    if narrowed_mm is not None:
        canal = _narrowed(canal, narrowed_mm)
    return _single_root(canal, rng, seed, surround)


def _narrowed(canal: PhantomCanal, diameter_mm: float) -> PhantomCanal:
    """Return the canal with a smooth narrowing about the 2 mm level."""
    tube = canal.tube
    share = np.exp(-((np.abs(tube.level_mm - 2.0) / 0.9) ** 4))
    here = np.sqrt(tube.wide_mm * tube.narrow_mm)
    factor = np.minimum(1.0, (diameter_mm / here) ** share)
    return replace(
        canal, tube=replace(tube, wide_mm=tube.wide_mm * factor, narrow_mm=tube.narrow_mm * factor)
    )


def _single_root(
    canal: PhantomCanal, rng: np.random.Generator, seed: int, surround: str
) -> RootPhantom:
    """Wrap a canal in a root that is eccentric coronally and tapers to its apex."""
    tube = canal.tube
    keep = tube.level_mm >= 0.35
    level = tube.level_mm[keep] - tube.level_mm[keep][0]
    away = np.append(_horizontal(rng.uniform(0.0, 2.0 * np.pi))[:2], 0.0)
    shift = rng.uniform(0.1, 0.5) * (level / level[-1])[:, None] ** 1.5 * away
    root = _root(
        tube.points_mm[keep] + shift,
        level,
        (rng.uniform(1.8, 2.1), rng.uniform(1.5, 1.8)),
        (rng.uniform(4.4, 5.6), rng.uniform(3.6, 4.4)),
        0.8,
    )
    margin = np.array([1.2, 1.2, 1.2])
    reach = root.wide_mm[:, None] / 2.0 + margin
    low, high = (root.points_mm - reach).min(axis=0), (root.points_mm + reach).max(axis=0)
    low[2], high[2] = root.points_mm[:, 2].min() - 2.2, root.points_mm[:, 2].max()
    offset = rng.uniform(0.0, 0.2, 3)
    return RootPhantom(
        name=f"invented single root, seed {seed}",
        canals=(canal,),
        roots=(root,),
        low_mm=(low[0] + offset[0], low[1] + offset[1], low[2] + offset[2]),
        high_mm=(high[0], high[1], high[2]),
        surround=surround,
        seed=seed,
    )


def _horizontal(azimuth_rad: float) -> tuple[float, float, float]:
    return float(np.cos(azimuth_rad)), float(np.sin(azimuth_rad)), 0.0
