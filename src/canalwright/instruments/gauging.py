"""Measured diameters of an instrument against its nominal profile and tolerance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.instruments.instrument import Instrument

__all__ = ["GaugedDiameter", "Gauging", "Verdict", "check_diameters"]


class Verdict(StrEnum):
    """What a reading says about a diameter."""

    WITHIN = "within tolerance"
    OUTSIDE = "outside tolerance"
    UNDECIDED = "cannot be decided with this reading"


@dataclass(frozen=True, slots=True)
class GaugedDiameter:
    """One reading.

    Attributes
    ----------
    station_mm, nominal_mm, measured_mm : float
    deviation_mm : float
        Measured minus nominal.
    verdict : Verdict
        Undecided where twice the standard deviation of the reading reaches across the limit.
    """

    station_mm: float
    nominal_mm: float
    measured_mm: float
    deviation_mm: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Gauging:
    """All readings of one instrument.

    Attributes
    ----------
    instrument : Instrument
    rows : tuple of GaugedDiameter
    verdict : Verdict
        Outside if any reading is, within if all are.
    mean_deviation_mm : float
    measured_size : float
        The size whose profile of the nominal taper fits the readings best (100 × tip diameter).
    cautions : tuple of Caution
    """

    instrument: Instrument
    rows: tuple[GaugedDiameter, ...]
    verdict: Verdict
    mean_deviation_mm: float
    measured_size: float
    cautions: tuple[Caution, ...]


def check_diameters(
    instrument: Instrument,
    station_mm: Sequence[float],
    measured_mm: Sequence[float],
    *,
    reading_sd_mm: float = 0.0,
) -> Gauging:
    """Compare readings with the nominal diameters.

    Parameters
    ----------
    instrument : Instrument
    station_mm : sequence of float
        Distances from the tip, on the cutting part.
    measured_mm : sequence of float
        Diameters read there with a micrometer or microscope, 0 to 2.5.
    reading_sd_mm : float
        Standard deviation of one reading, at least 0; 0 takes readings as exact.

    Returns
    -------
    Gauging

    Raises
    ------
    OutOfRange
        If there are no readings, stations and readings differ in number, or a value is
        impossible.
    """
    _check_count(len(station_mm), len(measured_mm))
    if not 0.0 <= reading_sd_mm <= 0.5:
        raise OutOfRange(
            name="spread of a reading", got=reading_sd_mm, unit="mm", allowed=(0.0, 0.5)
        )
    rows = tuple(
        _row(instrument, float(station), float(measured), reading_sd_mm)
        for station, measured in zip(station_mm, measured_mm, strict=True)
    )
    mean = float(np.mean([row.deviation_mm for row in rows]))
    return Gauging(
        instrument=instrument,
        rows=rows,
        verdict=_overall([row.verdict for row in rows]),
        mean_deviation_mm=mean,
        measured_size=100.0 * (instrument.tip_diameter_mm + mean),
        cautions=_cautions(instrument, reading_sd_mm),
    )


def _row(
    instrument: Instrument, station_mm: float, measured_mm: float, sd_mm: float
) -> GaugedDiameter:
    if not 0.0 <= station_mm <= instrument.cutting_length_mm:
        raise OutOfRange(
            name="station of a reading",
            got=station_mm,
            unit="mm",
            allowed=(0.0, instrument.cutting_length_mm),
            hint="Diameters are checked along the cutting part.",
        )
    if not 0.0 < measured_mm <= 2.5:
        raise OutOfRange(
            name=f"measured diameter at station {station_mm:g} mm",
            got=measured_mm,
            unit="mm",
            allowed=(0.0, 2.5),
            hint="Diameters are in mm: size 25 is 0.25.",
        )
    nominal = float(instrument.diameter_mm(station_mm))
    deviation = measured_mm - nominal
    verdict = _verdict(abs(deviation), instrument.tolerance_mm, 2.0 * sd_mm)
    return GaugedDiameter(station_mm, nominal, measured_mm, deviation, verdict)


def _verdict(deviation_mm: float, tolerance_mm: float, spread_mm: float) -> Verdict:
    if deviation_mm + spread_mm <= tolerance_mm + 1e-9:
        return Verdict.WITHIN
    if deviation_mm - spread_mm > tolerance_mm + 1e-9:
        return Verdict.OUTSIDE
    return Verdict.UNDECIDED


def _overall(verdicts: list[Verdict]) -> Verdict:
    for verdict in (Verdict.OUTSIDE, Verdict.UNDECIDED):
        if verdict in verdicts:
            return verdict
    return Verdict.WITHIN


def _cautions(instrument: Instrument, reading_sd_mm: float) -> tuple[Caution, ...]:
    found = [
        Caution(
            "NOT_CONFORMITY",
            "A comparison of a few readings with a nominal profile; it says nothing about "
            "conformity to a standard.",
            "project rule",
        )
    ]
    if "tolerance_mm" in instrument.assumed:
        text = f"The tolerance of ±{instrument.tolerance_mm:g} mm is assumed, not stated."
        found.append(Caution("TOLERANCE_ASSUMED", text, "project rule"))
    if reading_sd_mm == 0.0:
        text = "No spread of the readings was given; they are taken as exact."
        found.append(Caution("READING_TAKEN_AS_EXACT", text, "project rule"))
    return tuple(found)


def _check_count(stations: int, readings: int) -> None:
    if stations == 0 or stations != readings:
        raise OutOfRange(
            name="number of readings",
            got=readings,
            unit="",
            allowed=(max(stations, 1), max(stations, 1)),
            hint="Give one diameter for each station.",
        )
