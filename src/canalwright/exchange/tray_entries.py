"""Rows of a tray file become entries of a tray, and entries become rows, without loss.

A row states; what it does not state is assumed when the instrument is built, and is left out
again when it is written.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np

from canalwright.errors import BadInput
from canalwright.evidence import Evidence, Graded
from canalwright.exchange.tray_rows import OriginRow, TrayRow, row_values
from canalwright.instruments.alloys import AlloySet
from canalwright.instruments.build import generic_id, profiled_instrument
from canalwright.instruments.catalog import assumed_defaults
from canalwright.instruments.instrument import FieldOrigin, Instrument, Kind
from canalwright.instruments.outlines import checked_core_ratio
from canalwright.instruments.standard import instrument_from_id
from canalwright.instruments.tray import TrayEntry

__all__ = ["CellError", "entry_from_row", "row_from_entry"]

_PLAIN: Final = ("overall_length_mm", "tolerance_mm", "alloy", "color", "tip", "single_use")
_RATED: Final = {"rated_speed_rpm": "rpm", "rated_torque_ncm": "N·cm"}


class CellError(Exception):
    """A cell that cannot be used: its column, and what is wrong as a clause."""

    def __init__(self, column: str, problem: str) -> None:
        super().__init__(problem)
        self.column = column
        self.problem = problem


def entry_from_row(row: TrayRow) -> TrayEntry:
    """Return the entry that a row describes.

    Raises
    ------
    CellError
        If the row describes no possible instrument.
    """
    values = row_values(row)
    count = values.pop("count", 1)
    shaped = {"size", "taper", "diameters"} & set(values)
    instrument = _from_profile(values) if shaped else _from_id(values)
    _check_core(instrument)
    return TrayEntry(instrument, count)


def row_from_entry(entry: TrayEntry) -> dict[str, Any]:
    """Return the columns that describe an entry: what was stated, and nothing that was assumed."""
    instrument = entry.instrument
    named: dict[str, Any] = {"id": instrument.id, "count": entry.count}
    if instrument == _listed(instrument.id):
        return named
    stated = {} if "kind" in instrument.assumed else {"kind": instrument.kind}
    plain = {
        name: getattr(instrument, name)
        for name in _PLAIN
        if name not in instrument.assumed and getattr(instrument, name) not in ("", None)
    }
    if instrument.own_alloy is not None:
        plain["alloy"] = instrument.own_alloy
    return named | stated | _profile_columns(instrument) | plain | _rated_columns(instrument)


def _from_id(values: dict[str, Any]) -> Instrument:
    """Start from a standard or generic instrument and change what the row states."""
    name = values.pop("id", "")
    if not name:
        raise CellError("size", "is missing, and so are diameters and an id of a known instrument")
    listed = _listed(name)
    if listed is None:
        raise CellError("size", f"is missing, and {name} is no id of a known instrument")
    if not values:
        return listed
    taper = round(listed.mean_taper_mm_per_mm, 9)
    whole = {"id": listed.id, "kind": listed.kind, "size": listed.size, "taper": taper, **values}
    changed = _from_profile(whole)
    replaced = set(values) | ({"knot_station_mm"} if "cutting_length_mm" in values else set())
    kept = {
        field: getattr(listed, field)
        for field in ("tolerance_mm", "section", "alloy", "color")
        if field not in values
    }
    origins = tuple(
        replace(origin, fields=left)
        for origin in listed.origins
        if (left := tuple(field for field in origin.fields if field not in replaced))
    )
    assumed = tuple(field for field in listed.assumed if field not in values)
    return replace(changed, **kept, assumed=assumed, origins=origins)


def _from_profile(values: dict[str, Any]) -> Instrument:
    _check_known_id(values)
    if "diameters" in values and "taper" in values:
        raise CellError("taper", "is given together with diameters; one of them is enough")
    if "diameters" in values:
        return _from_table(values)
    for column in ("size", "taper"):
        if column not in values:
            raise CellError(column, "is missing")
    kind = values.get("kind", Kind.ENGINE)
    default = assumed_defaults(kind).cutting_length_mm
    length = values.get("cutting_length_mm", default)
    stations = _all_stations((0.0, length), values)
    tip, taper = values["size"] / 100, values["taper"]
    diameters = tuple(round(tip + taper * station, 9) for station in stations)
    name = values.get("id") or generic_id(kind, values["size"], taper)
    also = () if "cutting_length_mm" in values else ("cutting_length_mm",)
    return _built(name, stations, diameters, values, size=values["size"], also_assumed=also)


def _check_known_id(values: Mapping[str, Any]) -> None:
    """Refuse the id of a standard or generic instrument for something else."""
    listed = _listed(values.get("id", ""))
    if listed is None:
        return
    same_size = values.get("size", listed.size) == listed.size
    taper = values.get("taper", listed.mean_taper_mm_per_mm)
    if not same_size or abs(taper - listed.mean_taper_mm_per_mm) > 1e-6:
        raise CellError("id", "names a standard or generic instrument of another size or taper")


def _from_table(values: dict[str, Any]) -> Instrument:
    table = values["diameters"]
    if "id" not in values:
        raise CellError("id", "is missing; an instrument given by diameters needs a name")
    given = sorted(table)
    length = values.get("cutting_length_mm", given[-1])
    if abs(length - given[-1]) > 1e-9:
        raise CellError(
            "cutting_length_mm", f"is not the last station of the diameters, {given[-1]:g} mm"
        )
    stations = _all_stations(tuple(given), values)
    diameters = tuple(np.interp(stations, given, [table[s] for s in given]).tolist())
    size = values.get("size", round(diameters[0] * 100))
    if abs(size / 100 - diameters[0]) > 0.05:
        raise CellError("size", f"does not fit the diameter at station 0, {diameters[0]:g} mm")
    return _built(values["id"], stations, diameters, values, size=size)


def _built(
    name: str,
    stations: tuple[float, ...],
    diameters: tuple[float, ...],
    values: Mapping[str, Any],
    *,
    size: int,
    also_assumed: tuple[str, ...] = (),
) -> Instrument:
    unstated = () if "kind" in values else ("kind",)
    stated = {field: values[field] for field in _PLAIN if field in values}
    if isinstance(own := stated.get("alloy"), AlloySet):
        stated |= {"alloy": own.alloy, "own_alloy": own}
    try:
        return profiled_instrument(
            name,
            stations,
            diameters,
            kind=values.get("kind", Kind.ENGINE),
            size=size,
            also_assumed=unstated + also_assumed,
            origins=tuple(_origin(origin) for origin in values.get("origins", ())),
            **stated,
            **_sections(values, stations),
            **{field: _graded(field, unit, values) for field, unit in _RATED.items()},
        )
    except BadInput as error:
        raise CellError(_column_of(str(error), values), f"cannot be: {error}") from None


def _sections(values: Mapping[str, Any], stations: tuple[float, ...]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    shape = values.get("section")
    if isinstance(shape, Mapping):
        starts = sorted(shape)
        shapes = [shape[max((s for s in starts if s <= at), default=starts[0])] for at in stations]
        found |= {"section": shapes[0], "knot_section": tuple(shapes)}
    elif shape is not None:
        found["section"] = shape
    for column, field in (("core_ratio", "knot_core_ratio"), ("pitch_mm", "knot_pitch_mm")):
        value = values.get(column)
        if isinstance(value, Mapping):
            given = sorted(value)
            spread = np.interp(stations, given, [value[s] for s in given])
            found[field] = tuple(spread.tolist())
        elif value is not None:
            found[field] = (float(value),) * len(stations)
    return found


def _all_stations(stations: tuple[float, ...], values: Mapping[str, Any]) -> tuple[float, ...]:
    """Add the stations of every column that varies along the instrument."""
    every = set(stations)
    for column in ("section", "core_ratio", "pitch_mm"):
        if not isinstance(values.get(column), Mapping):
            continue
        outside = [s for s in values[column] if not 0.0 <= s <= stations[-1]]
        if outside:
            raise CellError(
                column,
                f"has the station {outside[0]:g} mm, not on the {stations[-1]:g} mm long "
                "cutting part",
            )
        every |= set(values[column])
    return tuple(sorted(every))


def _graded(field: str, unit: str, values: Mapping[str, Any]) -> Graded | None:
    stem, _, suffix = field.rpartition("_")
    details = (f"{stem}_sd_{suffix}", f"{stem}_evidence", f"{stem}_source", f"{stem}_note")
    sd, evidence, source, note = (values.get(name) for name in details)
    if field in values:
        origin = evidence or Evidence.OPERATOR
        return Graded(values[field], unit, origin, source or "", sd, note or "")
    for name in details:
        if name in values:
            raise CellError(field, f"is missing although {name} is given")
    return None


def _check_core(instrument: Instrument) -> None:
    try:
        for station, ratio in zip(
            instrument.knot_station_mm, instrument.knot_core_ratio, strict=False
        ):
            checked_core_ratio(instrument.section_at(station), ratio)
    except BadInput as error:
        raise CellError("core_ratio", f"cannot be: {error}") from None


def _column_of(sentence: str, values: Mapping[str, Any]) -> str:
    profile = "diameters" if "diameters" in values else "taper"
    lengths = ("cutting_length_mm", "overall_length_mm", profile)
    starts = {
        "Cutting part": next(c for c in lengths if c in values),
        "Core ratio": "core_ratio",
        "Pitch": "pitch_mm",
    }
    return next((c for start, c in starts.items() if sentence.startswith(start)), profile)


def _listed(name: str) -> Instrument | None:
    try:
        return instrument_from_id(name)
    except BadInput:
        return None


def _profile_columns(instrument: Instrument) -> dict[str, Any]:
    stations, diameters = instrument.knot_station_mm, instrument.knot_diameter_mm
    varying = _varying_columns(instrument)
    several = any(isinstance(value, Mapping) for value in varying.values())
    taper = _constant_taper(instrument)
    columns: dict[str, Any] = {"size": instrument.size}
    if taper is not None and (len(stations) == 2 or several):
        columns["taper"] = taper
        if "cutting_length_mm" not in instrument.assumed:
            columns["cutting_length_mm"] = stations[-1]
    else:
        columns["diameters"] = dict(zip(stations, diameters, strict=True))
    return columns | varying


def _varying_columns(instrument: Instrument) -> dict[str, Any]:
    stations = instrument.knot_station_mm
    columns: dict[str, Any] = {}
    if instrument.knot_section:
        columns["section"] = dict(zip(stations, instrument.knot_section, strict=True))
    elif "section" not in instrument.assumed:
        columns["section"] = instrument.section
    for column, values in (
        ("core_ratio", instrument.knot_core_ratio),
        ("pitch_mm", instrument.knot_pitch_mm),
    ):
        if values:
            same = len(set(values)) == 1
            columns[column] = values[0] if same else dict(zip(stations, values, strict=True))
    return columns


def _constant_taper(instrument: Instrument) -> float | None:
    """Return the taper that gives every diameter exactly, or None."""
    tip = instrument.size / 100
    rise = instrument.knot_diameter_mm[-1] - instrument.knot_diameter_mm[0]
    taper = round(rise / instrument.cutting_length_mm, 9)
    again = tuple(round(tip + taper * station, 9) for station in instrument.knot_station_mm)
    fits = again == instrument.knot_diameter_mm and 0.0 <= taper <= 0.2
    return taper if fits and 1 <= instrument.size <= 200 else None


def _rated_columns(instrument: Instrument) -> dict[str, Any]:
    columns: dict[str, Any] = {}
    for field in _RATED:
        graded = getattr(instrument, field)
        if graded is None or field in instrument.assumed:
            continue
        stem, _, suffix = field.rpartition("_")
        columns[field] = graded.value
        columns[f"{stem}_evidence"] = graded.evidence
        details = {f"{stem}_sd_{suffix}": graded.sd, f"{stem}_source": graded.source}
        details[f"{stem}_note"] = graded.note
        columns |= {name: value for name, value in details.items() if value not in (None, "")}
    if instrument.origins:
        columns["origins"] = [_origin_columns(origin) for origin in instrument.origins]
    return columns


def _origin(row: OriginRow) -> FieldOrigin:
    return FieldOrigin(tuple(row.fields), row.evidence, row.source, row.note)


def _origin_columns(origin: FieldOrigin) -> dict[str, Any]:
    return {
        "fields": list(origin.fields),
        "evidence": origin.evidence,
        "source": origin.source,
        "note": origin.note,
    }
