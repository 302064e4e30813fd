"""Samples of a canal that a sequence goes through, and limits judged over them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.evidence import Graded
from canalwright.geometry.sections import section_area_mm2
from canalwright.planning.situation import Situation
from canalwright.shaping.shape import Shape

__all__ = ["JudgedSamples", "SampledCanal", "SampledPass", "at_most", "up_to"]

Floats = NDArray[np.float64]

_GRID: Final = 256


@dataclass(frozen=True, eq=False)
class JudgedSamples:
    """One limit over all samples: the value reached, and the share of the limit it uses."""

    constraint: str
    value: Floats
    used: Floats
    limit: float
    unit: str


@dataclass(frozen=True, eq=False)
class SampledPass:
    """One pass over all samples."""

    removed_mm3: Floats
    judged: tuple[JudgedSamples, ...]


def at_most(name: str, value: Floats, limit: Graded) -> JudgedSamples:
    """Judge values that are to stay at or below one of the operator's limits."""
    return up_to(name, value, limit.value, limit.unit)


def up_to(name: str, value: Floats, limit: float, unit: str) -> JudgedSamples:
    """Judge values that are to stay at or below a number; below 0 they use nothing of it."""
    some = np.maximum(value, 0.0)
    share = some / limit if limit > 0.0 else np.where(some > 0.0, np.inf, 0.0)
    return JudgedSamples(name, value, np.asarray(share, float), limit, unit)


@dataclass(eq=False)
class SampledCanal:
    """Samples of a canal that a sequence goes through; `now_mm` changes with every pass.

    Attributes
    ----------
    nominal : Shape
        The canal as measured, before the first pass.
    now_mm : ndarray, shape (samples, levels)
        Inscribed diameter.
    untouched : ndarray of bool, shape (samples, levels)
        Where no instrument has cut yet.
    size_error_mm, outer_error_mm : ndarray, shape (samples, levels)
    energy_factor, strength_factor, life_factor : ndarray, shape (samples,)
        Factors on the nominal parameters.
    bend_error, length_error_mm : ndarray, shape (samples,)
        Error of the curvature in its standard deviations, and of the working length.
    bend_per_mm, bend_sd_per_mm : ndarray, shape (levels,)
        Curvature of the canal's axis over the usual window, and its standard deviation.
    areas : Areas
    now : Shape
        The nominal canal after the passes so far, for loads that are only scaled.
    """

    nominal: Shape
    now_mm: Floats
    untouched: NDArray[np.bool_]
    size_error_mm: Floats
    outer_error_mm: Floats
    energy_factor: Floats
    strength_factor: Floats
    life_factor: Floats
    bend_error: Floats
    length_error_mm: Floats
    bend_per_mm: Floats
    bend_sd_per_mm: Floats
    areas: Areas
    now: Shape = field(init=False)

    def __post_init__(self) -> None:
        self.now = self.nominal

    @classmethod
    def of(
        cls,
        situation: Situation,
        *,
        size_error_mm: Floats,
        outer_error_mm: Floats,
        energy_factor: Floats,
        strength_factor: Floats,
        life_factor: Floats,
        bend_error: Floats,
        length_error_mm: Floats,
        bend_sd_per_mm: Floats,
    ) -> SampledCanal:
        """Return samples of the canal that a situation starts from."""
        start = situation.start
        smallest_mm = situation.rules.limits.smallest_start_mm.value
        now = np.maximum(start.inscribed_mm + size_error_mm, smallest_mm)
        return cls(
            start,
            now,
            np.ones(now.shape, bool),
            now - start.inscribed_mm,
            outer_error_mm,
            energy_factor,
            strength_factor,
            life_factor,
            bend_error,
            length_error_mm,
            situation.rules.curvature_per_mm,
            bend_sd_per_mm,
            Areas.of(start),
        )

    def curvature_per_mm(self) -> Floats:
        """Return the curvature of the axis, shape (samples, levels), never negative."""
        error = self.bend_error[:, None] * self.bend_sd_per_mm
        return np.maximum(self.bend_per_mm + error, 0.0)


@dataclass(frozen=True, eq=False)
class Areas:
    """Section area per level on an even grid of diameters."""

    low_mm: float
    spacing_mm: float
    area_mm2: Floats

    @classmethod
    def of(cls, shape: Shape) -> Areas:
        """Return the areas of a canal opened to a grid of diameters."""
        grid = np.linspace(0.0, max(2.0, float(shape.inscribed_mm.max()) * 1.5), _GRID)
        radius = np.maximum(shape.radius_mm[None], grid[:, None, None] / 2.0)
        return cls(0.0, float(grid[1]), section_area_mm2(radius))

    def at(self, diameter_mm: Floats) -> Floats:
        """Return areas for diameters of shape (samples, levels), linear between grid points."""
        place = np.clip((diameter_mm - self.low_mm) / self.spacing_mm, 0.0, _GRID - 1.001)
        below = place.astype(int)
        share = place - below
        level = np.arange(diameter_mm.shape[1])
        return np.asarray(
            self.area_mm2[below, level] * (1.0 - share) + self.area_mm2[below + 1, level] * share,
            float,
        )
