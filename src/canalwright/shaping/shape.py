"""`Shape`: the canal as it now is, and `step`: one concentric pass through it.

The instrument's disc at each level is centered on the canal centerline and united with the
section. Concentric passes can be exchanged in order without changing the result, and the canal
never shrinks. Transportation needs the rod in the canal (`canalwright.shaping.off_center`) and is
not part of this model: results carry the caution ``CONCENTRIC_MODEL``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.geometry.sections import section_area_mm2, section_moment_mm3
from canalwright.instruments.instrument import Instrument

__all__ = ["CONCENTRIC_MODEL", "ENGAGED_FROM_MM", "Pass", "Shape", "Step", "cut", "step"]

Floats = NDArray[np.float64]

ENGAGED_FROM_MM: Final = 1e-6
"""A bite below this is the rounding of stored sections, not an engagement."""

_ROUNDING: Final = 1e-6

CONCENTRIC_MODEL = Caution(
    "CONCENTRIC_MODEL",
    "Passes are computed with the instrument centered in the canal; curved canals are cut "
    "off center (transportation), which leaves less dentin on one side than shown.",
    "project rule",
)


@dataclass(frozen=True, slots=True)
class Pass:
    """One instrument taken to one level.

    Attributes
    ----------
    instrument : Instrument
    tip_level_mm : float
        Level of the tip; 0 is the terminus, negative is past it (patency).
    loose_mm : float
        How much wider than its diameter the instrument is worked until it is loose.

    Raises
    ------
    OutOfRange
        If the tip is more than 2 mm past the terminus, or `loose_mm` is not within 0 to 0.1 mm.
    """

    instrument: Instrument
    tip_level_mm: float = 0.0
    loose_mm: float = 0.0

    def __post_init__(self) -> None:
        if not -2.0 <= self.tip_level_mm < 40.0:
            raise OutOfRange(
                name=f"tip level of {self.instrument.id}",
                got=self.tip_level_mm,
                unit="mm",
                allowed=(-2.0, 40.0),
                hint="Levels count from the terminus; a patency file goes 0.5 to 1 mm past it.",
            )
        if not 0.0 <= self.loose_mm <= 0.1:
            raise OutOfRange(
                name=f"loosening by {self.instrument.id}",
                got=self.loose_mm,
                unit="mm",
                allowed=(0.0, 0.1),
            )

    def diameter_mm(self, level_mm: Floats) -> Floats:
        """Return the diameter this pass opens at each level; 0 where it does not cut."""
        station = level_mm - self.tip_level_mm
        opened = self.instrument.diameter_mm(station) + self.loose_mm
        return np.where(self.instrument.cuts_at(station), opened, 0.0)


@dataclass(frozen=True, eq=False)
class Shape:
    """Sections of the canal as it now is.

    Attributes
    ----------
    level_mm : ndarray, shape (n,)
    radius_mm : ndarray, shape (n, directions)
    outer_radius_mm : ndarray, shape (n, directions)
        Outer root surface, NaN where unknown.
    bend_per_mm : ndarray, shape (n, 2), or None
        Curvature of the axis along direction 0 and the one at a right angle to it; with it the
        volume counts that sections of a curved canal lie closer together on its inner side.
    free_mm : ndarray, shape (n,), or None
        Diameter of the largest circle known to fit, centered or not; None if only centered ones
        are known.
    """

    level_mm: Floats
    radius_mm: Floats
    outer_radius_mm: Floats
    bend_per_mm: Floats | None = None
    free_mm: Floats | None = None

    @classmethod
    def of(cls, canal: Canal) -> Shape:
        """Return the untouched canal as a shape."""
        return cls(canal.level_mm, canal.radius_mm, canal.outer_radius_mm)

    def at_least(self, diameter_mm: float) -> Shape:
        """Return the shape with every section opened to at least a diameter."""
        return replace(self, radius_mm=np.maximum(self.radius_mm, diameter_mm / 2.0))

    @cached_property
    def inscribed_mm(self) -> Floats:
        """Diameter of the largest circle per level: what an instrument meets first.

        Of centered circles, unless a larger one off center is known (`free_mm`).
        """
        centered = np.asarray(2.0 * self.radius_mm.min(axis=1), float)
        return centered if self.free_mm is None else np.maximum(centered, self.free_mm)

    @cached_property
    def area_mm2(self) -> Floats:
        """Section area per level."""
        return section_area_mm2(self.radius_mm)

    @cached_property
    def volume_mm3(self) -> float:
        """Canal volume between the first and the last level."""
        if self.bend_per_mm is None:
            return float(np.trapezoid(self.area_mm2, self.level_mm))
        nearer = np.sum(self.bend_per_mm * section_moment_mm3(self.radius_mm), axis=1)
        return float(np.trapezoid(self.area_mm2 - nearer, self.level_mm))

    @cached_property
    def dentin_min_mm(self) -> Floats:
        """Thinnest dentin per level; NaN where no outer surface is known."""
        return thinnest_mm(self.outer_radius_mm - self.radius_mm)


@dataclass(frozen=True, eq=False)
class Step:
    """What one pass does, level by level.

    Attributes
    ----------
    made : Pass
    level_mm : ndarray, shape (n,)
    instrument_mm : ndarray, shape (n,)
        Diameter the pass opens; 0 where the instrument is not, or does not cut.
    before_mm : ndarray, shape (n,)
        Inscribed diameter of the canal before the pass.
    step_mm, step_percent : ndarray, shape (n,)
        How far the instrument exceeds the inscribed diameter, in mm and in percent of it; 0 where
        it is loose.
    area_before_mm2, area_after_mm2 : ndarray, shape (n,)
    area_percent : ndarray, shape (n,)
        Growth of the section area in percent.
    engaged : ndarray of bool, shape (n,)
        Where the instrument cuts somewhere on the wall.
    engaged_share : ndarray, shape (n,)
        Share of the directions in which it cuts, 0 to 1.
    dentin_left_mm : ndarray, shape (n,)
        Thinnest dentin after the pass; NaN where unknown.
    after : Shape
    cautions : tuple of Caution
    """

    made: Pass
    level_mm: Floats
    instrument_mm: Floats
    before_mm: Floats
    step_mm: Floats
    step_percent: Floats
    area_before_mm2: Floats
    area_after_mm2: Floats
    area_percent: Floats
    engaged: NDArray[np.bool_]
    engaged_share: Floats
    dentin_left_mm: Floats
    after: Shape
    cautions: tuple[Caution, ...] = (CONCENTRIC_MODEL,)

    @cached_property
    def worst(self) -> int:
        """Index of the largest step in percent; of equal ones the lowest."""
        return lowest_largest(self.step_percent)

    @cached_property
    def engaged_length_mm(self) -> float:
        """Length of canal over which the instrument cuts."""
        return float(np.sum(level_widths_mm(self.level_mm)[self.engaged]))

    @cached_property
    def removed_mm3(self) -> float:
        """Volume of dentin removed."""
        return float(np.trapezoid(self.area_after_mm2 - self.area_before_mm2, self.level_mm))

    @cached_property
    def dentin_left_min_mm(self) -> float:
        """Thinnest dentin anywhere after the pass where it is known; NaN if nowhere."""
        known = self.dentin_left_mm[~np.isnan(self.dentin_left_mm)]
        return float(known.min()) if known.size else float("nan")


def cut(shape: Shape, made: Pass) -> Shape:
    """Return the shape after a concentric pass."""
    return _opened(shape, made.diameter_mm(shape.level_mm))


def _opened(shape: Shape, diameter_mm: Floats) -> Shape:
    return replace(shape, radius_mm=np.maximum(shape.radius_mm, diameter_mm[:, None] / 2.0))


def step(shape: Shape, made: Pass) -> Step:
    """Compute one pass through the canal as it now is.

    Parameters
    ----------
    shape : Shape
    made : Pass

    Returns
    -------
    Step

    Raises
    ------
    OutOfRange
        If the canal is closed somewhere: a step in percent of nothing has no meaning.

    Notes
    -----
    The step is counted against the *inscribed* diameter, because that is where the instrument
    binds first in an oval canal; after any pass at full diameter the two agree. In a round
    canal that the previous instrument has just cut, the step is the textbook difference of the
    two instruments' diameters.
    """
    _check_open(shape)
    instrument_mm = made.diameter_mm(shape.level_mm)
    after = _opened(shape, instrument_mm)
    bites = instrument_mm[:, None] / 2.0 - shape.radius_mm > ENGAGED_FROM_MM
    engaged_share = np.count_nonzero(bites, axis=1) / bites.shape[1]
    engaged = engaged_share > 0.0
    step_mm = np.where(engaged, instrument_mm - shape.inscribed_mm, 0.0)
    return Step(
        made=made,
        level_mm=shape.level_mm,
        instrument_mm=instrument_mm,
        before_mm=shape.inscribed_mm,
        step_mm=step_mm,
        step_percent=100.0 * step_mm / shape.inscribed_mm,
        area_before_mm2=shape.area_mm2,
        area_after_mm2=after.area_mm2,
        area_percent=100.0 * (after.area_mm2 / shape.area_mm2 - 1.0),
        engaged=engaged,
        engaged_share=engaged_share,
        dentin_left_mm=after.dentin_min_mm,
        after=after,
    )


def _check_open(shape: Shape) -> None:
    narrowest = int(np.argmin(shape.inscribed_mm))
    if not shape.inscribed_mm[narrowest] > 0.0:
        raise OutOfRange(
            name=f"canal diameter at level {shape.level_mm[narrowest]:.2f} mm",
            got=float(shape.inscribed_mm[narrowest]),
            unit="mm",
            allowed=(0.0, None),
            hint="A canal that an instrument is to pass is open along its whole length.",
        )


def level_widths_mm(level_mm: Floats) -> Floats:
    """Return the length of canal that each level stands for; they add up to the whole."""
    return np.asarray(np.gradient(level_mm) * _end_halves(len(level_mm)), float)


def _end_halves(count: int) -> Floats:
    share = np.ones(count)
    share[[0, -1]] = 0.5
    return share


def lowest_largest(values: Floats) -> int:
    """Return the index of the largest value; of those equal but for rounding the lowest."""
    return int(np.argmax(values >= values.max() - _ROUNDING))


def thinnest_mm(thickness_mm: Floats) -> Floats:
    """Return the smallest finite thickness per level, NaN where there is none."""
    smallest = np.fmin.reduce(thickness_mm, axis=1)
    return np.where(np.isinf(smallest), np.nan, smallest)
