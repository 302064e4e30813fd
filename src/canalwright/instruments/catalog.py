"""The shipped catalogue: standard sizes, and what is assumed of a generic instrument.

The numbers live in ``catalog.toml`` beside this module, each block with its origin. No maker's
catalogue ships.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Alloy, FieldOrigin, Kind, SectionShape
from canalwright.units import ncm_from_torque

__all__ = [
    "BenchLimits",
    "Defaults",
    "StandardSize",
    "assumed_defaults",
    "bench_limits",
    "catalog_edition",
    "engine_series",
    "rated_speed_rpm",
    "rated_torque_ncm",
    "standard_cutting_length_mm",
    "standard_origin",
    "standard_sizes",
    "standard_taper_mm_per_mm",
    "tolerance_mm",
    "tolerance_origin",
]


@dataclass(frozen=True, slots=True)
class StandardSize:
    """One size of the standard series and its color."""

    size: int
    color: str


@dataclass(frozen=True, slots=True)
class Defaults:
    """What is assumed of an instrument of one kind where nobody stated it."""

    cutting_length_mm: float
    overall_length_mm: float
    section: SectionShape
    alloy: Alloy


@dataclass(frozen=True, slots=True)
class BenchLimits:
    """Limits of the standard's torsion and bending test for one size, None where not known.

    Attributes
    ----------
    least_torque_ncm, least_angle_deg : Graded or None
        What an instrument held 3 mm from the tip has to bear before it breaks.
    largest_moment_ncm : Graded or None
        What bending it to 45° may take.
    """

    least_torque_ncm: Graded | None = None
    least_angle_deg: Graded | None = None
    largest_moment_ncm: Graded | None = None


@cache
def _tables() -> dict[str, Any]:
    text = files("canalwright.instruments").joinpath("catalog.toml").read_text("utf-8")
    return tomllib.loads(text)


def catalog_edition() -> str:
    """Return the edition of the shipped catalogue, for stamping results."""
    return str(_tables()["edition"])


@cache
def standard_sizes() -> tuple[StandardSize, ...]:
    """Return the sizes of the standard series, thinnest first :cite:`iso3630` (from memory)."""
    return tuple(StandardSize(**row) for row in _tables()["standard"]["sizes"])


def standard_taper_mm_per_mm() -> float:
    """Return the taper of the standard series."""
    return float(_tables()["standard"]["taper_mm_per_mm"])


def standard_cutting_length_mm() -> float:
    """Return the least length of the cutting part in the standard series."""
    return float(_tables()["standard"]["cutting_length_mm"])


def standard_origin() -> FieldOrigin:
    """Return where size, color, taper and cutting length of the standard series come from."""
    return _origin("standard", ("size", "knot_station_mm", "knot_diameter_mm", "color"))


def tolerance_mm(size: int) -> float:
    """Return the diameter tolerance of a size, from memory of the standard."""
    return _in_band(_tables()["tolerance"]["bands"], "up_to_size", size, "tolerance_mm")


def tolerance_origin() -> FieldOrigin:
    """Return where the tolerances come from."""
    return _origin("tolerance", ("tolerance_mm",))


@cache
def assumed_defaults(kind: Kind) -> Defaults:
    """Return what is assumed of an instrument of this kind."""
    row = _tables()["assumed"][kind.value]
    return Defaults(
        cutting_length_mm=row["cutting_length_mm"],
        overall_length_mm=row["overall_length_mm"],
        section=SectionShape[row["section"]],
        alloy=Alloy[row["alloy"]],
    )


def bench_limits(size: int) -> BenchLimits:
    """Return the limits for hand instruments of taper .02 :cite:`iso3630`, from memory."""
    table = _tables()["bench_limits"]
    row = next((row for row in table["rows"] if row["size"] == size), None)
    if row is None:
        return BenchLimits()

    def graded(value: float, unit: str) -> Graded:
        evidence = Evidence(table["evidence"])
        return Graded(value, unit, evidence, table["source"], note=table["note"])

    moment = row.get("largest_moment_gfcm")
    return BenchLimits(
        graded(ncm_from_torque(row["least_torque_gfcm"], "gf·cm"), "N·cm"),
        graded(table["least_angle_deg"], "°"),
        None if moment is None else graded(ncm_from_torque(moment, "gf·cm"), "N·cm"),
    )


def engine_series() -> tuple[tuple[int, float], ...]:
    """Return size and taper of every generic engine-driven instrument."""
    table = _tables()["engine_series"]
    return tuple((size, taper) for taper in table["tapers_mm_per_mm"] for size in table["sizes"])


def rated_speed_rpm() -> Graded:
    """Return the speed that common practice gives generic engine-driven instruments."""
    table = _tables()["rated_speed"]
    return Graded(table["value_rpm"], "rpm", Evidence(table["evidence"]), note=table["note"])


def rated_torque_ncm(diameter_at_3_mm: float) -> Graded:
    """Return the torque limit of common practice for a diameter 3 mm from the tip.

    It is a habit of the trade, not the strength of the instrument: see its note.
    """
    table = _tables()["rated_torque"]
    torque = _in_band(table["bands"], "up_to_d3_mm", diameter_at_3_mm - 1e-9, "torque_ncm")
    return Graded(torque, "N·cm", Evidence(table["evidence"]), note=table["note"])


def _in_band(bands: list[dict[str, float]], up_to: str, value: float, wanted: str) -> float:
    """Return what the first band that reaches `value` says, the last one beyond all."""
    return float(next((band[wanted] for band in bands if value <= band[up_to]), bands[-1][wanted]))


def _origin(block: str, names: tuple[str, ...]) -> FieldOrigin:
    table = _tables()[block]
    return FieldOrigin(names, Evidence(table["evidence"]), table["source"], table["note"])
