"""Parameters of the load models in documents, each with its origin."""

from __future__ import annotations

from dataclasses import fields

from canalwright.evidence import Graded
from canalwright.exchange.graded import GradedRecord, graded_record
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.parameters import LoadParameters

__all__ = ["instrument_parameter_records", "load_parameter_records"]


def load_parameter_records(parameters: LoadParameters) -> dict[str, GradedRecord]:
    """Return every parameter by name; a test of one instrument stands under its id as well."""
    named = {field.name: getattr(parameters, field.name) for field in fields(parameters)}
    named |= {
        f"fatigue_coefficient of {name}": value
        for name, value in parameters.own_fatigue_coefficients
    }
    records = {
        name: graded_record(value) for name, value in named.items() if isinstance(value, Graded)
    }
    return {name: record for name, record in records.items() if record is not None}


def instrument_parameter_records(
    parameters: LoadParameters, instrument: Instrument
) -> dict[str, GradedRecord | None]:
    """Return the parameters that the loads of one instrument rest on."""
    return {
        "specific_cutting_energy_j_per_mm3": graded_record(
            parameters.specific_cutting_energy_j_per_mm3
        ),
        "friction_coefficient": graded_record(parameters.friction_coefficient),
        "advancing_share": graded_record(parameters.advancing_share),
        "screw_in_share": graded_record(parameters.screw_in_share),
        "square_helix_deg": graded_record(parameters.square_helix_deg),
        "other_helix_deg": graded_record(parameters.other_helix_deg),
        "shear_strength_mpa": graded_record(parameters.strength_of(instrument)),
        "fatigue_exponent": graded_record(parameters.fatigue_exponent),
        "fatigue_coefficient": graded_record(parameters.fatigue_coefficient_of(instrument)),
    }
