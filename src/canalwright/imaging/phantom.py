"""Phantoms of known truth: teeth with curved canals whose every dimension is known exactly.

A `RootPhantom` is a description in millimeters; `phantom_render.render` turns it into a `Scan`.
Its truth does not depend on the voxel size. All of them are invented.

Axes are LPS: x to the left, y to the back, z up; the roots point down.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.geometry.sections import DIRECTIONS, directions_rad, ellipse_radius_mm
from canalwright.imaging.curves import values_at
from canalwright.imaging.phantom_field import Field, rays_to_tube_mm, tooth_field
from canalwright.imaging.phantom_shapes import Block, Tube

__all__ = [
    "CanalTruth",
    "GrayLevels",
    "PhantomCanal",
    "RootPhantom",
    "phantom_truth",
    "true_canals",
]

Floats = NDArray[np.float64]

_RAY_STEP_MM = 0.05
_RAY_END_MM = 6.0


@dataclass(frozen=True, slots=True)
class GrayLevels:
    """Gray values of a phantom's materials, in arbitrary units (assumed)."""

    dentin: float = 1600.0
    lumen: float = 50.0
    gap: float = 250.0
    lamina: float = 1200.0
    bone: float = 550.0
    air: float = -200.0


@dataclass(frozen=True, eq=False)
class PhantomCanal:
    """A canal of a phantom.

    Attributes
    ----------
    name : str
    tube : Tube
        Level 0 is the terminus; the tube runs on beyond both ends.
    length_mm : float
        Level of the orifice.
    curvature_per_mm : ndarray, shape (n,)
        Curvature at the samples of the tube.
    faded_below_mm : float
        Below this level the lumen is calcified: same gray value as dentin. 0 for none.
    parts : tuple of Tube
        Further tubes whose union with `tube` is the lumen (isthmus, C-shape).
    """

    name: str
    tube: Tube
    length_mm: float
    curvature_per_mm: Floats
    faded_below_mm: float = 0.0
    parts: tuple[Tube, ...] = ()

    def point_mm(self, level_mm: float) -> Floats:
        """Return the centerline point at a level."""
        points = values_at(np.array([level_mm]), self.tube.level_mm, self.tube.points_mm)
        return np.asarray(points[0], float)

    @property
    def terminus_mm(self) -> Floats:
        """Point to click for the terminus, LPS."""
        return self.point_mm(0.0)

    @property
    def orifice_mm(self) -> Floats:
        """Point to click for the orifice, LPS."""
        return self.point_mm(self.length_mm)


@dataclass(frozen=True, eq=False)
class RootPhantom:
    """A tooth, or one root of it, of known truth.

    Attributes
    ----------
    name : str
    canals : tuple of PhantomCanal
    roots : tuple of Tube
        Outer surfaces, joined smoothly with each other and the crown.
    crown, chamber : Block or None
        Solid crown and hollow pulp chamber.
    surround : str
        ``"air"`` or ``"bone"`` (periodontal gap 0.2 mm, then 0.3 mm of lamina, then bone).
    crest_mm : float
        With bone: height z above which there is air.
    gray : GrayLevels
    seed : int
        Seed the shape was drawn with; fixes noise together with the seed of the rendering.
    low_mm, high_mm : tuple of float
        Corners of the box to be imaged.
    """

    name: str
    canals: tuple[PhantomCanal, ...]
    roots: tuple[Tube, ...]
    low_mm: tuple[float, float, float]
    high_mm: tuple[float, float, float]
    crown: Block | None = None
    chamber: Block | None = None
    surround: str = "air"
    crest_mm: float = np.inf
    gray: GrayLevels = field(default_factory=GrayLevels)
    seed: int = 0

    def canal(self, name: str) -> PhantomCanal:
        """Return the canal of that name."""
        return next(canal for canal in self.canals if canal.name == name)

    @cached_property
    def outside(self) -> Field:
        """Signed distance from the tooth's outer surface, negative inside."""
        return tooth_field(self.roots, self.crown, np.array(self.low_mm), np.array(self.high_mm))


@dataclass(frozen=True, eq=False)
class CanalTruth:
    """What is known exactly about one canal of a phantom.

    Attributes
    ----------
    canal : Canal
        Sections, outer surface and centerline with standard deviations of zero. Where a ray
        meets another canal or the chamber before the outer surface, the outer radius is that
        nearer wall.
    curvature_per_mm : ndarray, shape (n,)
    orifice_mm, terminus_mm : ndarray, shape (3,)
    """

    canal: Canal
    curvature_per_mm: Floats
    orifice_mm: Floats
    terminus_mm: Floats


def phantom_truth(spec: RootPhantom, step_mm: float = 0.1) -> dict[str, CanalTruth]:
    """Return the truth of every canal on the level axis.

    Parameters
    ----------
    spec : RootPhantom
    step_mm : float
        Step of the levels.
    """
    return {canal.name: _canal_truth(spec, canal, step_mm) for canal in spec.canals}


def true_canals(spec: RootPhantom, step_mm: float = 0.1) -> dict[str, Canal]:
    """Return the canals of a phantom as `Canal` objects, in order."""
    return {name: truth.canal for name, truth in phantom_truth(spec, step_mm).items()}


def _canal_truth(spec: RootPhantom, canal: PhantomCanal, step_mm: float) -> CanalTruth:
    tube = canal.tube
    level = np.linspace(0.0, canal.length_mm, round(canal.length_mm / step_mm) + 1)
    points = values_at(level, tube.level_mm, tube.points_mm)
    first = _unit_rows(values_at(level, tube.level_mm, tube.direction0))
    second = _unit_rows(values_at(level, tube.level_mm, tube.direction1))
    radius = ellipse_radius_mm(
        np.interp(level, tube.level_mm, tube.wide_mm),
        np.interp(level, tube.level_mm, tube.narrow_mm),
        np.interp(level, tube.level_mm, tube.angle_rad),
    )
    zero = np.zeros(len(level))
    return CanalTruth(
        Canal(
            name=canal.name,
            level_mm=level,
            centerline_mm=points,
            direction0=first,
            radius_mm=radius,
            outer_radius_mm=_outer_radius_mm(spec, canal, points, first, second, radius),
            diameter_sd_mm=zero,
            narrow_sd_mm=zero,
            wide_sd_mm=zero,
            dentin_sd_mm=zero,
            provenance=Provenance(source=spec.name, methods=("phantom-truth",), invented=True),
        ),
        np.interp(level, tube.level_mm, canal.curvature_per_mm),
        canal.orifice_mm,
        canal.terminus_mm,
    )


def _unit_rows(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True), float)


def _outer_radius_mm(
    spec: RootPhantom,
    canal: PhantomCanal,
    points: Floats,
    first: Floats,
    second: Floats,
    radius: Floats,
) -> Floats:
    """Distance along every ray to the nearest surface beyond the canal's own wall."""
    angle = directions_rad(DIRECTIONS)
    ray = (
        np.cos(angle)[None, :, None] * first[:, None, :]
        + np.sin(angle)[None, :, None] * second[:, None, :]
    )
    reach = np.arange(0.0, _RAY_END_MM, _RAY_STEP_MM)
    places = points[:, None, None, :] + reach[None, None, :, None] * ray[:, :, None, :]
    clear = spec.outside.at(places)
    if spec.chamber is not None:
        clear = np.maximum(clear, -spec.chamber.signed_distance_mm(places))
    beyond = reach[None, None, :] > radius[:, :, None]
    found = _first_crossing_mm(np.where(beyond, clear, -1.0), reach)
    for other in spec.canals:
        if other is not canal:
            found = np.fmin(found, rays_to_tube_mm(other.tube.thinned(4), points, ray, radius))
    return found


def _first_crossing_mm(clear: Floats, reach: Floats) -> Floats:
    """Distance at which each profile turns positive for the first time; NaN if it never does."""
    positive = clear > 0.0
    index = np.argmax(positive, axis=-1)
    before = np.maximum(index - 1, 0)
    low = np.take_along_axis(clear, before[..., None], axis=-1)[..., 0]
    high = np.take_along_axis(clear, index[..., None], axis=-1)[..., 0]
    share = np.clip(-low / np.maximum(high - low, 1e-12), 0.0, 1.0)
    found = reach[before] + share * (reach[index] - reach[before])
    return np.where(positive.any(axis=-1), found, np.nan)
