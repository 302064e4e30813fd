"""Stress–strain law of an alloy in a first, monotone loading.

Steel is linear up to its yield and hardens beyond. Superelastic nickel-titanium is piecewise
linear: austenite, a nearly flat loading plateau while it transforms, martensite. The law is
monotone, so bending stays a convex problem. Not in it: the lower unloading plateau (hysteresis),
the difference between tension and compression, and the unloading of steel that has yielded.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.mechanics.validity import Validity

__all__ = [
    "STEEL_STRAIN_VALIDITY",
    "AlloyLaw",
    "linear_law",
]

Floats = NDArray[np.float64]

STEEL_STRAIN_VALIDITY: Final = Validity(
    quantity="largest surface strain of steel (ratio)",
    low=0.0,
    high=0.01,
    unit="",
    code="STEEL_BENDS_FOR_GOOD",
    source="value from memory",
    reason="drawn steel yields near 1 %, so the true file keeps a bend and "
    "its wall forces are lower than stated",
)


@dataclass(frozen=True, slots=True)
class AlloyLaw:
    """Piecewise linear stress over strain, the same in tension and compression.

    Attributes
    ----------
    elastic_modulus_mpa : Graded
        Slope from zero strain.
    plateau_stress_mpa : Graded or None
        Stress where the plateau begins; None for a linear alloy.
    plateau_modulus_mpa : Graded
        Slope of the plateau, at least 0.
    plateau_end_strain : Graded
        Strain where the plateau ends (ratio).
    final_modulus_mpa : Graded
        Slope beyond the plateau.

    Raises
    ------
    OutOfRange
        If a modulus is not above 0 (the plateau's may be 0) or the plateau ends before it begins.
    """

    elastic_modulus_mpa: Graded
    plateau_stress_mpa: Graded | None = None
    plateau_modulus_mpa: Graded = Graded(
        1000.0, "MPa", Evidence.ASSUMED, note="a slight rise along the loading plateau"
    )
    plateau_end_strain: Graded = Graded(
        0.055, "", Evidence.MEMORY, source="duerig1990", note="4 to 6 % transformation strain"
    )
    final_modulus_mpa: Graded = Graded(
        30000.0, "MPa", Evidence.MEMORY, source="duerig1990", note="martensite, 28 to 41 GPa"
    )

    def __post_init__(self) -> None:
        for name in ("elastic_modulus_mpa", "final_modulus_mpa"):
            value = getattr(self, name).value
            if not value > 0.0:
                raise OutOfRange(name=name, got=value, unit="MPa", allowed=(0.0, None), above=True)
        if not self.plateau_modulus_mpa.value >= 0.0:
            raise OutOfRange(
                name="plateau modulus",
                got=self.plateau_modulus_mpa.value,
                unit="MPa",
                allowed=(0.0, None),
            )
        if self.plateau_stress_mpa and not self.plateau_start_strain > 0.0:
            raise OutOfRange(
                name="plateau stress",
                got=self.plateau_stress_mpa.value,
                unit="MPa",
                allowed=(0.0, None),
            )
        if self.plateau_stress_mpa and self.plateau_start_strain >= self.plateau_end_strain.value:
            raise OutOfRange(
                name="end of the plateau",
                got=self.plateau_end_strain.value,
                unit="",
                allowed=(self.plateau_start_strain, None),
            )

    @property
    def plateau_start_strain(self) -> float:
        """Strain where the plateau begins; infinite for a linear alloy."""
        if self.plateau_stress_mpa is None:
            return float("inf")
        return self.plateau_stress_mpa.value / self.elastic_modulus_mpa.value

    def stress_mpa(self, strain: ArrayLike) -> tuple[Floats, Floats]:
        """Return stress and tangent modulus at strains (ratios), odd and even in strain."""
        signed = np.asarray(strain, float)
        size = np.abs(signed)
        elastic = self.elastic_modulus_mpa.value
        if self.plateau_stress_mpa is None:
            return elastic * signed, np.full_like(signed, elastic)
        start, end = self.plateau_start_strain, self.plateau_end_strain.value
        flat, last = self.plateau_modulus_mpa.value, self.final_modulus_mpa.value
        magnitude = elastic * np.minimum(size, start)
        magnitude = magnitude + flat * np.clip(size - start, 0.0, end - start)
        magnitude = magnitude + last * np.maximum(size - end, 0.0)
        slope = np.where(size < start, elastic, np.where(size < end, flat, last))
        return np.sign(signed) * magnitude, slope


def linear_law(modulus_mpa: float, note: str = "stated by the caller") -> AlloyLaw:
    """Return a linear alloy of a given modulus."""
    return AlloyLaw(Graded(modulus_mpa, "MPa", Evidence.ASSUMED, note=note))
