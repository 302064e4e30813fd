"""Alloy classes as graded parameter sets that users may copy and edit.

Nothing here describes a product: the values are those of a class of material, most of them from
memory of handbooks, and each says so.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields, replace
from functools import cache
from importlib.resources import files

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange, UnknownName
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Alloy, Instrument

__all__ = ["AlloySet", "alloy_of", "alloy_set", "edited", "graded_values"]

PLATEAU_TEMPERATURE_RANGE_C = (22.0, 37.0)


@dataclass(frozen=True, slots=True)
class AlloySet:
    """Parameters of one alloy.

    Attributes
    ----------
    name : str
        Name of the class, or the user's name of a copy.
    alloy : Alloy
    reference_temperature_c : float
        Temperature for which the plateau stands.
    elastic_modulus_mpa, poisson_ratio : Graded
    tensile_strength_mpa, shear_strength_mpa : Graded
        Shear stress that a whole section can carry before it twists off.
    yield_stress_mpa, hardening_modulus_mpa : Graded or None
        Of steel: where it bends for good, and the slope beyond.
    plateau_stress_mpa, plateau_modulus_mpa, plateau_end_strain, final_modulus_mpa : Graded or None
        Of nickel-titanium: the loading plateau, its slope, where it ends, and the slope beyond.
    plateau_per_kelvin_mpa : Graded or None
        Rise of the plateau with temperature, where one is known.

    Raises
    ------
    OutOfRange
        If a value is not above 0 or Poisson's ratio is not below 0.5.
    """

    name: str
    alloy: Alloy
    reference_temperature_c: float
    elastic_modulus_mpa: Graded
    poisson_ratio: Graded
    tensile_strength_mpa: Graded
    shear_strength_mpa: Graded
    yield_stress_mpa: Graded | None = None
    hardening_modulus_mpa: Graded | None = None
    plateau_stress_mpa: Graded | None = None
    plateau_modulus_mpa: Graded | None = None
    plateau_end_strain: Graded | None = None
    final_modulus_mpa: Graded | None = None
    plateau_per_kelvin_mpa: Graded | None = None

    def __post_init__(self) -> None:
        for name, graded in graded_values(self).items():
            most = 0.5 if name == "poisson_ratio" else None
            if not 0.0 < graded.value < (most or float("inf")):
                raise OutOfRange(
                    name=f"{name.removesuffix('_mpa').replace('_', ' ')} of {self.name}",
                    got=graded.value,
                    unit=graded.unit,
                    allowed=(0.0, most),
                )

    @property
    def shear_modulus_mpa(self) -> float:
        """``E / 2(1 + ν)``."""
        return self.elastic_modulus_mpa.value / (2.0 * (1.0 + self.poisson_ratio.value))

    def at_temperature(self, temperature_c: float) -> tuple[AlloySet, tuple[Caution, ...]]:
        """Return the set at another temperature, and cautions.

        Only the loading plateau of superelastic wire is moved, by `plateau_per_kelvin_mpa`; that
        modulus and plateau rise with temperature is published :cite:`chien2022`, the rate is
        from memory. A set without a rate comes back unchanged with a caution.

        Raises
        ------
        OutOfRange
            If the plateau would fall to 0 or below.
        """
        if self.plateau_per_kelvin_mpa is None or self.plateau_stress_mpa is None:
            text = f"No effect of temperature is known for {self.name}; values stay as they are."
            return self, (Caution("TEMPERATURE_IGNORED", text, "project rule"),)
        rate = self.plateau_per_kelvin_mpa.value
        shift = rate * (temperature_c - self.reference_temperature_c)
        plateau = self.plateau_stress_mpa
        note = f"{plateau.note}; moved by {shift:+.0f} MPa to {temperature_c:g} °C"
        moved = Graded(
            plateau.value + shift, "MPa", plateau.evidence, plateau.source, plateau.sd, note
        )
        changed = replace(self, plateau_stress_mpa=moved, reference_temperature_c=temperature_c)
        return changed, _temperature_cautions(temperature_c)


@cache
def alloy_set(alloy: Alloy) -> AlloySet:
    """Return the parameters of an alloy class."""
    text = files("canalwright.instruments").joinpath("alloys.toml").read_text("utf-8")
    table = tomllib.loads(text)[alloy.name]
    temperature = table.pop("reference_temperature_c")
    values = {
        name: Graded(
            row["value"], row["unit"], Evidence(row["evidence"]), row.get("source", ""),
            row.get("sd"), row.get("note", ""),
        )
        for name, row in table.items()
    }  # fmt: skip
    return AlloySet(alloy.value, alloy, temperature, **values)


def alloy_of(instrument: Instrument) -> AlloySet:
    """Return the parameters of an instrument's alloy: the user's own, else those of its class."""
    return instrument.own_alloy or alloy_set(instrument.alloy)


def edited(original: AlloySet, name: str, **values: float | Graded) -> AlloySet:
    """Return a copy under another name with some values changed.

    Parameters
    ----------
    original : AlloySet
    name : str
    **values
        Fields with new values; a plain number keeps the unit and is marked as stated by the
        operator.

    Raises
    ------
    UnknownName
        If a field does not exist.
    OutOfRange
        If a value is impossible.
    """
    known = graded_values(original)
    changes: dict[str, Graded] = {}
    for field, value in values.items():
        if field not in known:
            raise UnknownName(kind="alloy parameter", got=field, known=tuple(known))
        changes[field] = (
            value
            if isinstance(value, Graded)
            else Graded(float(value), known[field].unit, Evidence.OPERATOR)
        )
    return replace(original, name=name, **changes)  # type: ignore[arg-type]


def graded_values(chosen: AlloySet) -> dict[str, Graded]:
    """Return every graded value of a set by the name of its field."""
    values = {field.name: getattr(chosen, field.name) for field in fields(chosen)}
    return {name: value for name, value in values.items() if isinstance(value, Graded)}


def _temperature_cautions(temperature_c: float) -> tuple[Caution, ...]:
    low, high = PLATEAU_TEMPERATURE_RANGE_C
    if low <= temperature_c <= high:
        return ()
    text = (
        f"The plateau at {temperature_c:g} °C is extrapolated; its rate stands for "
        f"{low:g} to {high:g} °C."
    )
    return (Caution("EXTRAPOLATED_TEMPERATURE", text, "duerig1990"),)
