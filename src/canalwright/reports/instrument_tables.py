"""Instruments as tables of text: facts, sections, bench tests, side by side, readings, alloys."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from canalwright.evidence import Graded
from canalwright.instruments.alloys import AlloySet, graded_values
from canalwright.instruments.gauging import Gauging
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.instrument_summary import InstrumentSummary, Standing
from canalwright.mechanics.side_by_side import Curve, MechanicalComparison
from canalwright.reports.tables import TextTable
from canalwright.reports.text import (
    MISSING,
    evidence_mark,
    format_graded,
    format_number,
    format_percent,
    instrument_label,
    named_instrument,
)

__all__ = [
    "alloy_table",
    "bench_table",
    "facts_table",
    "gauging_table",
    "mechanics_table",
    "sections_table",
]

_ASSUMED: Final = "assumed"
_UNKNOWN: Final = "not stated"


def facts_table(instrument: Instrument) -> TextTable:
    """Return what is known of an instrument, and where each fact comes from."""
    facts = (
        ("size and taper", instrument_label(instrument), ("kind", "size", "knot_diameter_mm")),
        (
            "cutting part",
            f"{instrument.cutting_length_mm:g} mm",
            ("cutting_length_mm", "knot_station_mm"),
        ),
        ("length", f"{instrument.overall_length_mm:g} mm", ("overall_length_mm",)),
        ("tolerance", f"±{instrument.tolerance_mm:g} mm", ("tolerance_mm",)),
        ("section", _section_words(instrument), ("section",)),
        ("pitch of the flutes", _along(instrument, instrument.knot_pitch_mm, " mm"), ()),
        ("tip", _words(instrument.tip), ()),
        ("alloy", _alloy_words(instrument), ("alloy",)),
        ("color of the size", instrument.color or _UNKNOWN, ("color",)),
        ("single use", _yes_no(instrument.single_use), ()),
        ("speed", _rated(instrument.rated_speed_rpm, 0), ("rated_speed_rpm",)),
        ("torque limit", _rated(instrument.rated_torque_ncm, 2), ("rated_torque_ncm",)),
    )
    rows = tuple(
        (name, value, "" if value == _UNKNOWN else _origin(instrument, fields))
        for name, value, fields in facts
    )
    columns = (("fact", "left"), ("value", "text"), ("from", "text"))
    return TextTable(instrument.id, columns, rows)


def _origin(instrument: Instrument, fields: Sequence[str]) -> str:
    """Return where a fact comes from: the weakest origin of its fields."""
    rated = {"rated_speed_rpm": instrument.rated_speed_rpm,
             "rated_torque_ncm": instrument.rated_torque_ncm}  # fmt: skip
    for field in fields:
        graded = rated.get(field)
        if graded is not None:
            return _cited(str(graded.evidence), graded.source)
        if field in instrument.assumed:
            return _ASSUMED
    for origin in instrument.origins:
        if set(fields) & set(origin.fields):
            return _cited(str(origin.evidence), origin.source)
    return "stated by the operator"


def _cited(evidence: str, source: str) -> str:
    return f"{evidence} ({source})" if source else evidence


def _section_words(instrument: Instrument) -> str:
    if not instrument.knot_section:
        core = _along(instrument, instrument.knot_core_ratio, "")
        known = "" if core == _UNKNOWN else f", core {core} of the diameter"
        return f"{instrument.section.value}{known}"
    pairs = zip(instrument.knot_station_mm[:-1], instrument.knot_section, strict=False)
    return ", ".join(f"{shape.value} from D{station:g}" for station, shape in pairs)


def _along(instrument: Instrument, values: Sequence[float], unit: str) -> str:
    if not values:
        return _UNKNOWN
    if len(set(values)) == 1:
        return f"{values[0]:g}{unit}"
    pairs = zip(instrument.knot_station_mm, values, strict=True)
    return ", ".join(f"{value:g}{unit} at D{station:g}" for station, value in pairs)


def _alloy_words(instrument: Instrument) -> str:
    own = instrument.own_alloy
    return str(instrument.alloy) if own is None else f"{own.name} ({instrument.alloy})"


def _words(value: object) -> str:
    return _UNKNOWN if value is None else str(value)


def _yes_no(value: bool | None) -> str:
    return _UNKNOWN if value is None else ("yes" if value else "no")


def _rated(graded: Graded | None, digits: int) -> str:
    return _UNKNOWN if graded is None else format_graded(graded, digits)


def sections_table(summary: InstrumentSummary) -> TextTable:
    """Return diameters, sections and torsional strength station by station."""
    sections, instrument = summary.sections, summary.instrument
    strength = summary.alloy.shear_strength_mpa.value
    rows = tuple(
        (
            f"D{station:g}" + ("" if bool(instrument.cuts_at(station)) else " (shaft)"),
            format_number(float(sections.diameter_mm[at]), 3),
            format_number(float(sections.area_mm2[at]), 4),
            format_number(1e6 * float(sections.inertia_mm4[at]), 1),
            format_number(1e6 * float(sections.torsion_mm4[at]), 1),
            format_number(strength * float(sections.elastic_modulus_mm3[at]) / 10.0, 3),
            format_number(strength * float(sections.plastic_modulus_mm3[at]) / 10.0, 3),
        )
        for at, station in enumerate(sections.station_mm.tolist())
    )
    columns = (
        ("station", "left"),
        ("diameter mm", "right"),
        ("section mm²", "right"),
        ("I 10⁻⁶ mm⁴", "right"),
        ("J 10⁻⁶ mm⁴", "right"),
        ("first yield N·cm", "right"),
        ("strength N·cm", "right"),
    )
    return TextTable("Sections (computed)", columns, rows)


def bench_table(summary: InstrumentSummary) -> TextTable:
    """Return the simulated bench tests beside the limits of the standard, as remembered."""
    bending, torsion = summary.bending, summary.torsion
    rows = (
        (
            "moment at 45°, tip held 3 mm",
            f"{_figures(bending.moment_ncm)} N·cm",
            _limit("at most", bending.largest_ncm, summary.bending_standing),
        ),
        (
            "strength in torsion, tip held 3 mm",
            f"{_figures(torsion.strength_ncm)} N·cm at D{torsion.weakest_station_mm:g}",
            _limit("at least", torsion.least_ncm, summary.torsion_standing),
        ),
        (
            "angle at torsional failure",
            "not computed",
            _limit("at least", torsion.least_angle_deg, None),
        ),
        ("stiffness in bending, small angles",
         f"{_figures(bending.stiffness_nmm_per_rad)} N·mm/rad", MISSING),
        ("stiffness in torsion", f"{_figures(torsion.stiffness_nmm_per_rad)} N·mm/rad",
         MISSING),
        ("surface strain at the grip, 45°", format_percent(100.0 * bending.peak_strain, 1),
         MISSING),
        ("elastic twist at first yield",
         f"{format_number(torsion.twist_at_first_yield_deg, 0)}°", MISSING),
        ("metal of the cutting part", f"{_figures(summary.volume_mm3)} mm³", MISSING),
    )  # fmt: skip
    columns = (
        ("simulated test", "left"),
        ("computed", "left"),
        ("limit for hand files of taper .02 (no statement of conformity)", "text"),
    )
    return TextTable("Stiffness and strength (computed, not measured)", columns, rows)


def _limit(word: str, limit: Graded | None, standing: Standing | None) -> str:
    if limit is None:
        return Standing.NO_LIMIT.value
    side = "" if standing is None else f"; {standing.value}"
    unit = limit.unit if limit.unit == "°" else f" {limit.unit}"
    return f"{word} {_figures(limit.value)}{unit} ({limit.evidence}){side}"


def _figures(value: float) -> str:
    """Return a number with three figures, so that small torques keep theirs."""
    before = math.floor(math.log10(abs(value))) if value else 0
    return format_number(value, max(0, 2 - before))


Number = Callable[[MechanicalComparison], float]


def mechanics_table(
    instruments: Sequence[Instrument], compared: Sequence[MechanicalComparison], curve: Curve
) -> TextTable:
    """Return the mechanics of the first instrument, and of all others over it.

    Parameters
    ----------
    instruments : sequence of Instrument
    compared : sequence of MechanicalComparison
        Every other one against the first.
    curve : Curve
        In which lives were compared.
    """
    first = compared[0]
    names = [named_instrument(instrument) for instrument in instruments]
    life = f"life in a curve of {curve.radius_mm:g} mm at D{curve.station_mm:g}"
    rows = (
        _row("metal of the cutting part mm³", first.a_volume_mm3, compared,
             lambda c: c.b_volume_mm3, lambda c: c.b_volume_mm3 / c.a_volume_mm3),
        _row("stiffness in bending N·mm/rad", first.a_bending.stiffness_nmm_per_rad, compared,
             lambda c: c.b_bending.stiffness_nmm_per_rad, lambda c: c.stiffness_ratio),
        _row("moment at 45° N·cm", first.a_bending.moment_ncm, compared,
             lambda c: c.b_bending.moment_ncm, lambda c: c.moment_ratio),
        _row("strength in torsion N·cm", first.a_torsion.strength_ncm, compared,
             lambda c: c.b_torsion.strength_ncm, lambda c: c.strength_ratio),
        (life, "× 1", *(_life(c) for c in compared)),
    )  # fmt: skip
    columns = (("computed", "left"), *((name, "right") for name in names))
    return TextTable(f"Mechanics; × is over {names[0]}", columns, rows)


def _row(
    name: str,
    of_first: float,
    compared: Sequence[MechanicalComparison],
    value: Number,
    ratio: Number,
) -> tuple[str, ...]:
    others = (f"{_figures(value(c))} (× {_figures(ratio(c))})" for c in compared)
    return (name, _figures(of_first), *others)


def _life(compared: MechanicalComparison) -> str:
    ratio = compared.life_ratio
    return "not compared" if ratio is None else f"× {_figures(ratio)}"


def gauging_table(found: Gauging) -> TextTable:
    """Return readings against the nominal profile."""
    rows = tuple(
        (
            f"D{row.station_mm:g}",
            format_number(row.nominal_mm, 3),
            format_number(row.measured_mm, 3),
            f"{row.deviation_mm:+.3f}".replace("-", "−"),
            f"±{found.instrument.tolerance_mm:g}",
            row.verdict.value,
        )
        for row in found.rows
    )
    columns = (
        ("station", "left"),
        ("nominal mm", "right"),
        ("measured mm", "right"),
        ("deviation mm", "right"),
        ("allowed mm", "right"),
        ("reading", "left"),
    )
    return TextTable(f"Readings of {found.instrument.id}", columns, rows)


def alloy_table(chosen: AlloySet) -> TextTable:
    """Return the parameters of an alloy with their origin."""
    rows = tuple(_alloy_rows(chosen))
    columns = (("parameter", "left"), ("value", "right"), ("from", "text"), ("note", "text"))
    named = "" if chosen.name == chosen.alloy else f" ({chosen.alloy})"
    at = f"at {chosen.reference_temperature_c:g} °C"
    return TextTable(f"{chosen.name}{named}, {at}", columns, rows)


def _alloy_rows(chosen: AlloySet) -> Iterable[tuple[str, ...]]:
    for field, graded in graded_values(chosen).items():
        spread = "" if graded.sd is None else f" ± {graded.sd:g}"
        yield (
            field.removesuffix("_mpa").replace("_", " "),
            f"{graded.value:g}{spread} {graded.unit}".strip(),
            _cited(evidence_mark(graded.evidence) or str(graded.evidence), graded.source),
            graded.note,
        )
