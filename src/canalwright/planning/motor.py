"""Motor settings: the lower of what the instrument is rated for and what the operator allows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from canalwright.cautions import Caution
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Instrument, Kind
from canalwright.mechanics.concentric import PassLoads
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.torsion import plastic_capacity_nmm

__all__ = [
    "MotorSettings",
    "demand_cautions",
    "motor_settings",
    "strength_cautions",
    "strength_ncm",
]

_GRIPPED_MM: Final = 3.0
"""Station where torsion tests hold an instrument :cite:`iso3630`."""


@dataclass(frozen=True, slots=True)
class MotorSettings:
    """Speed and torque limit of one step; None for hand instruments or where unknown."""

    speed_rpm: Graded | None
    torque_limit_ncm: Graded | None
    cautions: tuple[Caution, ...] = ()


def motor_settings(instrument: Instrument, torque_limit_ncm: float | None = None) -> MotorSettings:
    """Return the settings for an instrument.

    Parameters
    ----------
    instrument : Instrument
    torque_limit_ncm : float, optional
        What the operator or the motor allows, N·cm. The lower of this and the rated value is
        set; where the operator's is not, a caution says so.
    """
    if instrument.kind is Kind.HAND:
        return MotorSettings(None, None)
    rated = instrument.rated_torque_ncm
    if torque_limit_ncm is None:
        return MotorSettings(instrument.rated_speed_rpm, rated)
    own = Graded(torque_limit_ncm, "N·cm", Evidence.OPERATOR)
    if rated is None or own.value <= rated.value:
        return MotorSettings(instrument.rated_speed_rpm, own, _below_rated(instrument, own))
    return MotorSettings(instrument.rated_speed_rpm, rated, (_above_rated(instrument, own),))


def demand_cautions(
    instrument: Instrument, settings: MotorSettings, loads: PassLoads
) -> tuple[Caution, ...]:
    """Return the caution on an estimated torque above the torque limit."""
    limit = settings.torque_limit_ncm
    if limit is None or loads.peak_torque_ncm <= limit.value:
        return ()
    return (_demand(instrument, loads.peak_torque_ncm, limit.value),)


def strength_cautions(
    settings: Iterable[tuple[Instrument, Graded | None]], parameters: LoadParameters
) -> tuple[Caution, ...]:
    """Return one caution that names every torque limit above an instrument's strength at D3."""
    clauses = []
    for instrument, limit in settings:
        if limit is None:
            continue
        capacity = strength_ncm(instrument, parameters)
        if limit.value > capacity:
            clauses.append(
                f"{instrument.id}: limit {limit.value:g} N·cm, estimated strength at D3 "
                f"{capacity:.2f} N·cm"
            )
    if not clauses:
        return ()
    text = (
        "A torque limit above the strength does not protect a tip that locks (limits are shown "
        f"as stated): {'; '.join(dict.fromkeys(clauses))}. Where no section was stated a triangle "
        "with straight sides is taken, the weakest of the usual ones."
    )
    return (Caution("TORQUE_LIMIT_ABOVE_STRENGTH", text, "iso3630"),)


def strength_ncm(instrument: Instrument, parameters: LoadParameters) -> float:
    """Return the estimated torsional strength where tests hold an instrument, N·cm."""
    strength = parameters.strength_of(instrument).value
    return float(plastic_capacity_nmm(instrument, _GRIPPED_MM, strength)[0]) / 10.0


def _below_rated(instrument: Instrument, own: Graded) -> tuple[Caution, ...]:
    rated = instrument.rated_torque_ncm
    if rated is None or own.value >= rated.value:
        return ()
    return (
        Caution(
            "TORQUE_LIMIT_BELOW_RATED",
            f"{instrument.id}: the operator's torque limit of {own.value:g} N·cm is set; it is "
            f"below the {rated.value:g} N·cm stated for this instrument, so the motor may stop "
            "often.",
            "project rule",
        ),
    )


def _above_rated(instrument: Instrument, own: Graded) -> Caution:
    rated = instrument.rated_torque_ncm
    shown = "" if rated is None else f"{rated.value:g} N·cm ({rated.evidence})"
    return Caution(
        "TORQUE_LIMIT_ABOVE_RATED",
        f"{instrument.id}: the operator's torque limit of {own.value:g} N·cm is above the "
        f"{shown} stated for this instrument; the lower value is set.",
        "project rule",
    )


def _demand(instrument: Instrument, demand: float, limit: float) -> Caution:
    return Caution(
        "TORQUE_DEMAND_ABOVE_LIMIT",
        f"{instrument.id}: the estimated torque of {demand:.2g} N·cm is above the torque limit "
        f"of {limit:.2g} N·cm; the motor would stop. Advance in shorter pecks.",
        "project rule",
    )
