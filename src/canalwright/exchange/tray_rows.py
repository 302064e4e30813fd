"""One row of a tray file: its columns, how each is read, and the instrument it describes.

The same columns serve CSV and YAML. Nothing is required beyond tip size and taper (or a table of
diameters, or an id of the standard and generic series); what is left empty is assumed and marked
so on the instrument.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Final

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    WithJsonSchema,
)

from canalwright.errors import CanalwrightError
from canalwright.evidence import Evidence
from canalwright.exchange.tray_alloys import ALLOY_WORDS
from canalwright.instruments.alloys import AlloySet
from canalwright.instruments.instrument import Alloy, Kind, SectionShape, TipKind
from canalwright.units import parse_speed_rpm, parse_torque_ncm

__all__ = ["COLUMNS", "OriginRow", "TrayRow", "remedy_for", "row_values"]

_YES_NO: Final = {"yes": True, "no": False, "true": True, "false": False, "1": True, "0": False}
_NUMBER: Final = re.compile(r"^([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*([^\d]*)$")


def _number(units: tuple[str, ...]) -> BeforeValidator:
    """Read a number, with a decimal comma and one of these units if the text has them."""

    def read(value: Any) -> Any:
        if not isinstance(value, str):
            return _no_bool(value)
        match = _NUMBER.match(value.strip())
        if match is None or match[2].strip() not in ("", *units):
            raise ValueError("is not a number" + (f" in {units[0]}" if units else ""))
        return float(match[1].replace(",", "."))

    return BeforeValidator(read)


def _no_bool(value: Any) -> Any:
    if isinstance(value, bool):
        raise ValueError("is not a number")
    return value


def _whole(what: str) -> BeforeValidator:
    def read(value: Any) -> Any:
        number = _no_bool(value)
        if not isinstance(number, str):
            return number
        if not re.fullmatch(r"\d{1,6}", number.strip()):
            raise ValueError(f"is not a {what}")
        return int(number)

    return BeforeValidator(read)


def _read_taper(value: Any) -> Any:
    if isinstance(value, str) and value.strip().endswith("%"):
        match = _NUMBER.match(value.strip())
        if match is None:
            raise ValueError("is not a taper")
        return float(match[1].replace(",", ".")) / 100
    if isinstance(value, str):
        match = _NUMBER.match(value.strip())
        if match is None or match[2].strip() not in ("", "mm/mm"):
            raise ValueError("is not a taper")
        return float(match[1].replace(",", "."))
    return _no_bool(value)


def _stations(value: Any) -> Any:
    """Read ``0:0.15; 4:0.23`` (or with ``|``) or a mapping; a single number stays one."""
    if isinstance(value, Mapping):
        return {_as_number(key): item for key, item in value.items()}
    if not isinstance(value, str) or ":" not in value:
        return value
    pairs = [part.split(":") for part in re.split("[;|]", value) if part.strip()]
    if any(len(pair) != 2 for pair in pairs):
        raise ValueError("is not a list of station:value pairs")
    stations = [_as_number(pair[0]) for pair in pairs]
    if len(set(stations)) < len(stations):
        raise ValueError("gives a station twice")
    return {s: pair[1].strip() for s, pair in zip(stations, pairs, strict=True)}


def _as_number(value: Any) -> float:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    match = _NUMBER.match(str(value).strip())
    if match is None or match[2].strip() not in ("", "mm"):
        raise ValueError("has a station that is not a number")
    return float(match[1].replace(",", "."))


def _word(words: Mapping[str, Any]) -> BeforeValidator:
    by_word = {word.casefold(): meant for word, meant in words.items()}

    def read(value: Any) -> Any:
        key = ("yes" if value else "no") if isinstance(value, bool) else str(value)
        if key.strip().casefold() not in by_word:
            raise ValueError("is not one of the words known here")
        return by_word[key.strip().casefold()]

    return BeforeValidator(read)


def _quantity(parse: Any) -> BeforeValidator:
    """Read a quantity with its unit through the units of the trade."""

    def read(value: Any) -> Any:
        try:
            return parse(str(_no_bool(value)))
        except CanalwrightError as error:
            raise ValueError(f"cannot be meant: {error}") from None

    return BeforeValidator(read)


def _field(description: str, remedy: str, **limits: Any) -> Any:
    return Field(
        default=None, description=description, json_schema_extra={"remedy": remedy}, **limits
    )


Millimeters = Annotated[float, _number(("mm",))]
Plain = Annotated[float, _number(())]
Shape = Annotated[SectionShape, _word({shape.value: shape for shape in SectionShape})]
Spoken = Annotated[str, BeforeValidator(lambda value: str(value).strip())]
Origin = Annotated[Evidence, _word({evidence.value: evidence for evidence in Evidence})]


def _alloy(value: Any, info: ValidationInfo) -> Any:
    """Read an alloy class, or the name of a set that the file defines."""
    own: Mapping[str, AlloySet] = info.context or {}
    if value in own:
        return own[value]
    return _READ_ALLOY_WORD.func(value)  # type: ignore[call-arg]


_READ_ALLOY_WORD: Final = _word({**ALLOY_WORDS, **{alloy.value: alloy for alloy in Alloy}})
AlloyName = Annotated[Any, BeforeValidator(_alloy), WithJsonSchema({"type": "string"})]

_EVIDENCE_REMEDY: Final = "Write one of: " + ", ".join(evidence.value for evidence in Evidence)


class OriginRow(BaseModel):
    """Where some fields of an instrument come from."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    fields: list[str]
    evidence: Origin
    source: str = ""
    note: str = ""


class TrayRow(BaseModel):
    """One instrument of a tray; every field may be left out where another one says as much."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    id: Spoken | None = _field(
        "Your name for it, or an id of the standard and generic series such as hand-10-02",
        "Write a name that no other row has, beginning with a letter or digit",
        pattern=r"^\w",
        min_length=1,
        max_length=80,
    )
    count: Annotated[int, _whole("whole number")] | None = _field(
        "How many are on hand (1 if empty)", "Write a whole number, 0 or more", ge=0
    )
    kind: Annotated[Kind, _word({kind.value: kind for kind in Kind})] | None = _field(
        "hand or engine (engine if empty)", "Write hand or engine"
    )
    size: Annotated[int, _whole("size number")] | None = _field(
        "Size number, 100 times the tip diameter in mm",
        "Write a whole number such as 25, or give the diameters instead",
        ge=1,
        le=200,
    )
    taper: Annotated[float, BeforeValidator(_read_taper)] | None = _field(
        "Rise of the diameter in mm per mm: 0.04 or 4 %",
        "Write taper .04 as 0.04 or 4 %",
        ge=0,
        le=0.2,
    )
    diameters: Annotated[dict[float, Millimeters], BeforeValidator(_stations)] | None = _field(
        "Diameters in mm at stations in mm from the tip: 0:0.16; 4:0.25; 16:0.90",
        "Write pairs station:diameter separated by ; or |, from station 0 on",
        min_length=2,
    )
    cutting_length_mm: Millimeters | None = _field(
        "Length of the cutting part", "Write a length in mm such as 16", gt=0, le=40
    )
    overall_length_mm: Millimeters | None = _field(
        "Length from tip to handle", "Write a length in mm such as 21, 25 or 31", gt=0, le=60
    )
    tolerance_mm: Millimeters | None = _field(
        "Allowed deviation of a diameter", "Write a tolerance in mm such as 0.02", ge=0, le=0.2
    )
    section: Annotated[Shape | dict[float, Shape], BeforeValidator(_stations)] | None = _field(
        "Shape of the section, or shapes from stations on: 0:square; 8:triangle",
        "Write one of: " + ", ".join(shape.value for shape in SectionShape),
    )
    core_ratio: Annotated[Plain | dict[float, Plain], BeforeValidator(_stations)] | None = _field(
        "Inscribed over circumscribed circle, or values at stations: 0:0.4; 16:0.5",
        "Write a number between 0 and 1 that the shape can have",
    )
    pitch_mm: Annotated[Millimeters | dict[float, Millimeters], BeforeValidator(_stations)] | (
        None
    ) = _field(
        "Length of one turn of the flutes, or values at stations", "Write a length in mm above 0"
    )
    tip: Annotated[TipKind, _word({tip.value: tip for tip in TipKind})] | None = _field(
        "How the tip is shaped", "Write one of: " + ", ".join(tip.value for tip in TipKind)
    )
    alloy: AlloyName | None = _field(
        "Alloy class, or the name of an alloy of one's own in a YAML tray",
        "Write one of: " + ", ".join(ALLOY_WORDS) + ", or the name of one under 'alloys'",
    )
    color: Spoken | None = _field("Color of the handle", "Write a word", max_length=40)
    single_use: Annotated[bool, _word(_YES_NO)] | None = _field(
        "Whether the maker says to use it once", "Write yes or no"
    )
    rated_speed_rpm: Annotated[float, _quantity(parse_speed_rpm)] | None = _field(
        "Speed the maker gives", "Write a speed in rpm such as 300", gt=0
    )
    rated_speed_sd_rpm: Plain | None = _field("Its spread", "Write a number of rpm", ge=0)
    rated_speed_evidence: Origin | None = _field("Where it comes from", _EVIDENCE_REMEDY)
    rated_speed_source: Spoken | None = _field("Its source", "Write a text")
    rated_speed_note: Spoken | None = _field("What to know about it", "Write a text")
    rated_torque_ncm: Annotated[float, _quantity(parse_torque_ncm)] | None = _field(
        "Torque limit the maker gives, in N·cm unless a unit is written",
        "Write a torque such as 2 or 150 gf·cm",
        gt=0,
    )
    rated_torque_sd_ncm: Plain | None = _field("Its spread", "Write a number of N·cm", ge=0)
    rated_torque_evidence: Origin | None = _field("Where it comes from", _EVIDENCE_REMEDY)
    rated_torque_source: Spoken | None = _field("Its source", "Write a text")
    rated_torque_note: Spoken | None = _field("What to know about it", "Write a text")
    origins: list[OriginRow] | None = _field(
        "Where other fields come from (written by export)", "Leave it as it was exported"
    )


COLUMNS: Final[tuple[str, ...]] = tuple(TrayRow.model_fields)


def remedy_for(column: str) -> str:
    """Return what to do about a fault in a column."""
    extra = TrayRow.model_fields[column].json_schema_extra if column in COLUMNS else None
    return str(extra["remedy"]) if isinstance(extra, dict) else "Remove it or correct its name"


def row_values(row: TrayRow) -> dict[str, Any]:
    """Return the fields of a row that are stated."""
    return {name: value for name in COLUMNS if (value := getattr(row, name)) is not None}
