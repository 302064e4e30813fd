"""Parameters of the load models: every one graded by its evidence and open to change."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final

from canalwright.errors import OutOfRange, UnknownName
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.alloys import alloy_set
from canalwright.instruments.instrument import Alloy, Instrument
from canalwright.mechanics.fatigue import strain_coefficient

__all__ = ["DEFAULT_LOAD_PARAMETERS", "LoadParameters"]


_ALLOWED: Final[dict[str, tuple[float, float | None]]] = {
    "fatigue_exponent": (-2.0, -0.05),
    "friction_coefficient": (0.0, 2.0),
    "advancing_share": (0.0, 1.0),
    "screw_in_share": (0.0, 1.0),
    "square_helix_deg": (0.0, 85.0),
    "other_helix_deg": (0.0, 85.0),
}
"""What a value must be above, and at most; above 0 for all others."""


def _strength(alloy: Alloy) -> Callable[[], Graded]:
    return lambda: alloy_set(alloy).shear_strength_mpa


@dataclass(frozen=True, slots=True)
class LoadParameters:
    """What the load models need to know beside geometry.

    Attributes
    ----------
    specific_cutting_energy_j_per_mm3 : Graded
        Energy to turn a volume of dentin into chips; 1 J/mm³ is 1000 N·mm per mm³.
    friction_coefficient : Graded
        Instrument on dentin.
    advancing_share : Graded
        Share of the working time in which the instrument goes deeper, in pecks; above 0, to 1.
    screw_in_share : Graded
        Share of the pull of a screw that does not slip, 0 to 1.
    square_helix_deg, other_helix_deg : Graded
        Angle between flutes and the axis, by section, where an instrument states no pitch.
    steel_shear_strength_mpa, niti_shear_strength_mpa, heat_treated_shear_strength_mpa : Graded
        Shear stress that a whole section can carry before it twists off; that of the alloy's
        class by default. An instrument with an alloy of its own keeps its own strength.
    fatigue_exponent : Graded
        Exponent c of the strain-life law ε = ε_f′ N^c, below 0.
    fatigue_coefficient : Graded or None
        Coefficient ε_f′ of that law; None until a test point is given, never guessed.
    own_fatigue_coefficients : tuple of (str, Graded)
        Coefficients that hold for one instrument each, by its id.
    """

    specific_cutting_energy_j_per_mm3: Graded = Graded(
        1.0,
        "J/mm³",
        Evidence.ASSUMED,
        note="no measurement found; 0.5 to 3 is plausible (1 to 3 times the hardness)",
    )
    friction_coefficient: Graded = Graded(
        0.2,
        "",
        Evidence.ASSUMED,
        note="nickel-titanium on dentin: no measurement found; 0.1 to 0.4 is plausible",
    )
    advancing_share: Graded = Graded(
        0.5,
        "",
        Evidence.ASSUMED,
        note="of the working time the instrument goes deeper; else it is withdrawn, cleaned and "
        "led back between pecks",
    )
    screw_in_share: Graded = Graded(
        0.1,
        "",
        Evidence.ASSUMED,
        note="share of the pull of a screw that does not slip; no measurement found",
    )
    square_helix_deg: Graded = Graded(
        30.0,
        "°",
        Evidence.MEMORY,
        note="twisted square blanks: 25 to 40 degrees in textbooks; used where no pitch is stated",
    )
    other_helix_deg: Graded = Graded(
        25.0,
        "°",
        Evidence.ASSUMED,
        note="ground sections differ from 15 to 40 degrees; used where no pitch is stated",
    )
    steel_shear_strength_mpa: Graded = field(default_factory=_strength(Alloy.STAINLESS))
    niti_shear_strength_mpa: Graded = field(default_factory=_strength(Alloy.NITI_SUPERELASTIC))
    heat_treated_shear_strength_mpa: Graded = field(
        default_factory=_strength(Alloy.NITI_HEAT_TREATED)
    )
    fatigue_exponent: Graded = Graded(
        -0.5,
        "",
        Evidence.PUBLISHED,
        source="cheung2007",
        note="published range −0.40 (seen) to −0.56 (from memory)",
    )
    fatigue_coefficient: Graded | None = None
    own_fatigue_coefficients: tuple[tuple[str, Graded], ...] = ()

    def with_value(self, name: str, value: float, evidence: Evidence) -> LoadParameters:
        """Return parameters with another value for one of them, in its unit.

        Raises
        ------
        UnknownName
            If there is no such parameter, or none that is a number by default.
        OutOfRange
            If the value is impossible.
        """
        known = {f.name: getattr(self, f.name) for f in fields(self)}
        known = {key: old for key, old in known.items() if isinstance(old, Graded)}
        if name not in known:
            raise UnknownName(kind="load parameter", got=name, known=tuple(known))
        low, high = _ALLOWED.get(name, (0.0, None))
        if not (math.isfinite(value) and low < value <= (high or math.inf)):
            words, unit = name.removesuffix("_mpa").replace("_", " "), known[name].unit
            raise OutOfRange(name=words, got=value, unit=unit, allowed=(low, high), above=True)
        changes: dict[str, Any] = {name: Graded(value, known[name].unit, evidence)}
        return replace(self, **changes)

    def shear_strength_mpa(self, alloy: Alloy) -> Graded:
        """Return the shear strength of an alloy class."""
        return {
            Alloy.STAINLESS: self.steel_shear_strength_mpa,
            Alloy.NITI_SUPERELASTIC: self.niti_shear_strength_mpa,
            Alloy.NITI_HEAT_TREATED: self.heat_treated_shear_strength_mpa,
        }[alloy]

    def strength_of(self, instrument: Instrument) -> Graded:
        """Return the shear strength of an instrument: its own alloy's, else its class's."""
        own = instrument.own_alloy
        return self.shear_strength_mpa(instrument.alloy) if own is None else own.shear_strength_mpa

    def fatigue_coefficient_of(self, instrument: Instrument) -> Graded | None:
        """Return ε_f′ of an instrument: from its own test, else from one said to hold for all."""
        return dict(self.own_fatigue_coefficients).get(instrument.id, self.fatigue_coefficient)

    def with_fatigue_test(
        self,
        strain: float,
        cycles: float,
        *,
        evidence: Evidence = Evidence.MEASURED,
        instrument: str = "",
    ) -> LoadParameters:
        """Return parameters whose strain-life law goes through one test point.

        Parameters
        ----------
        strain : float
            Surface strain of the test as a ratio (0.04 is 4 %).
        cycles : float
            Turns to fracture at that strain.
        evidence : Evidence
            Origin of the test point.
        instrument : str
            Id of the instrument that was tested; empty for a test that is to hold for all.

        Raises
        ------
        OutOfRange
            If the strain is not in (0, 0.2) or the cycles are below 1.
        """
        value = strain_coefficient(strain, cycles, self.fatigue_exponent.value)
        note = f"through {cycles:g} cycles at {100 * strain:g} % strain"
        coefficient = Graded(value, "", evidence, note=note)
        if not instrument:
            return replace(self, fatigue_coefficient=coefficient)
        own = {**dict(self.own_fatigue_coefficients), instrument: coefficient}
        return replace(self, own_fatigue_coefficients=tuple(own.items()))


DEFAULT_LOAD_PARAMETERS: Final = LoadParameters()
