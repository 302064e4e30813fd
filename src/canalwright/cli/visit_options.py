"""Entries of a visit from the text of options; what is given changes what files say."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from canalwright.errors import MalformedText, UnknownName

if TYPE_CHECKING:
    from canalwright.exchange.visit_entries import (
        CanalEntry,
        ConeEntry,
        ReadingEntry,
        StepEntry,
        VisitEntries,
    )

__all__ = ["changed_canals", "changed_visit", "factors_of", "per_canal", "steps_of"]

_OPTIONS = {
    "crown_mm": "--crown-mm",
    "tooth_length_mm": "--tooth-length-mm",
    "confirmed_mm": "--working-length-mm",
}
_METHODS = ("scan", "radiograph", "electronic", "tactile")
_LANDMARKS = ("apex", "foramen", "constriction")


def per_canal(texts: list[str] | None, names: Iterable[str], *, option: str) -> dict[str, str]:
    """Read ``NAME=VALUE`` for single canals, or ``VALUE`` for all.

    Raises
    ------
    UnknownName
        If a name is not that of a canal.
    """
    known = tuple(names)
    found: dict[str, str] = {}
    for text in texts or []:
        name, equals, value = text.partition("=")
        if not equals:
            found |= {each: text.strip() for each in known}
        elif name.strip() in known:
            found[name.strip()] = value.strip()
        else:
            raise UnknownName(kind=f"canal in {option}", got=name.strip(), known=known)
    return found


def changed_canals(
    canals: Iterable[CanalEntry],
    *,
    reference: list[str] | None,
    crown_mm: list[str] | None,
    tooth_length_mm: list[str] | None,
    working_length_mm: list[str] | None,
    reading: list[str] | None,
    cone: list[str] | None,
    policy: str | None,
    patency: str | None,
    torque_limit: str | None,
) -> list[CanalEntry]:
    """Return the entries of canals with what was given on the command line."""
    from canalwright.exchange.visit_entries import PatencyEntry

    entries = list(canals)
    names = [entry.canal for entry in entries]
    numbers = {
        "crown_mm": per_canal(crown_mm, names, option=_OPTIONS["crown_mm"]),
        "tooth_length_mm": per_canal(tooth_length_mm, names, option=_OPTIONS["tooth_length_mm"]),
        "confirmed_mm": per_canal(working_length_mm, names, option=_OPTIONS["confirmed_mm"]),
    }
    references = per_canal(reference, names, option="--reference")
    cones = per_canal(cone, names, option="--cone")
    readings = _readings(reading, names)
    found = []
    for entry in entries:
        change: dict[str, Any] = {
            field: _number(given[entry.canal], _OPTIONS[field])
            for field, given in numbers.items()
            if entry.canal in given
        }
        if entry.canal in references:
            change["reference"] = references[entry.canal]
        if entry.canal in cones:
            change["cone"] = _cone(cones[entry.canal])
        if readings.get(entry.canal):
            change["readings"] = [*entry.readings, *readings[entry.canal]]
        if policy is not None:
            change["policy"] = policy
        if patency is not None:
            change["patency"] = PatencyEntry(instrument=patency)
        if torque_limit is not None:
            change["torque_limit"] = torque_limit
        found.append(entry.model_copy(update=change))
    return found


def changed_visit(
    entries: VisitEntries,
    *,
    tooth: str | None,
    pulpal: str | None,
    apical: str | None,
    factor: list[str] | None,
    needle: int | None,
    flow_ml_per_min: float | None,
    notes: str | None,
) -> VisitEntries:
    """Return the entries of a visit with what was given on the command line."""
    change: dict[str, Any] = {}
    if tooth is not None:
        change["tooth"] = tooth
    if notes is not None:
        change["notes"] = notes
    terms = {"pulpal": pulpal, "apical": apical}
    given = {key: term for key, term in terms.items() if term is not None}
    if given:
        change["diagnosis"] = entries.diagnosis.model_copy(update=given)
    if factor:
        change["factors"] = entries.factors | factors_of(factor)
    rinse = {"gauge": needle, "flow_ml_per_min": flow_ml_per_min}
    used = {key: value for key, value in rinse.items() if value is not None}
    if used:
        change["irrigation"] = entries.irrigation.model_copy(update=used)
    return entries.model_copy(update=change)


def factors_of(texts: list[str] | None) -> dict[str, str | float]:
    """Read ``NAME=low|moderate|high`` or ``NAME=NUMBER`` for difficulty factors.

    Raises
    ------
    MalformedText
        If one is not so formed.
    """
    found: dict[str, str | float] = {}
    for text in texts or []:
        name, equals, value = text.partition("=")
        if not equals or not name.strip() or not value.strip():
            raise MalformedText(
                name="--factor", got=text, expected="NAME=low, moderate, high or a number"
            )
        found[name.strip()] = value.strip()
    return found


def steps_of(listed: Iterable[Any]) -> list[StepEntry]:
    """Return steps from instruments with levels; levels count from working length here."""
    from canalwright.exchange.visit_entries import StepEntry

    return [StepEntry(instrument=at.instrument, short_mm=at.to_level_mm) for at in listed]


def _readings(texts: list[str] | None, names: list[str]) -> dict[str, list[ReadingEntry]]:
    found: dict[str, list[ReadingEntry]] = {}
    for text in texts or []:
        name, equals, value = text.partition("=")
        targets = [name.strip()] if equals else names
        for target in targets:
            if target not in names:
                raise UnknownName(kind="canal in --reading", got=target, known=tuple(names))
            found.setdefault(target, []).append(_reading(value if equals else text))
    return found


def _reading(text: str) -> ReadingEntry:
    """Read ``METHOD:MM[:LANDMARK]``, or ``radiograph:TRUE/APPARENT/TOOTH[:LANDMARK]``."""
    from canalwright.exchange.visit_entries import ReadingEntry

    parts = [part.strip() for part in text.split(":")]
    method, landmark = parts[0], parts[2] if len(parts) > 2 else ""
    if len(parts) not in (2, 3) or method not in _METHODS or landmark not in ("", *_LANDMARKS):
        raise MalformedText(
            name="--reading",
            got=text,
            expected="METHOD:MM or METHOD:MM:LANDMARK (scan, radiograph, electronic or tactile; "
            "apex, foramen or constriction)",
            hint="A radiograph may state true file/apparent file/apparent tooth: "
            "radiograph:20/20.9/22:apex.",
        )
    values: dict[str, Any] = {"method": method, "landmark": landmark or None}
    lengths = [_number(part, "--reading") for part in parts[1].split("/")]
    if 0.0 in lengths:
        raise MalformedText(name="--reading", got=text, expected="lengths above 0 mm")
    if len(lengths) == 3:
        keys = ("true_instrument_mm", "apparent_instrument_mm", "apparent_tooth_mm")
        values |= dict(zip(keys, lengths, strict=True))
        return ReadingEntry(**values)
    if len(lengths) != 1:
        raise MalformedText(name="--reading", got=text, expected="one length, or three with /")
    return ReadingEntry(**values, length_mm=lengths[0])


def _cone(text: str) -> ConeEntry:
    """Read ``SIZE/TAPER[:GAUGED_MM]``, e.g. ``30/.04`` or ``30/.04:0.32``."""
    from canalwright.exchange.visit_entries import ConeEntry

    point, _, gauged = text.partition(":")
    size, slash, taper = point.partition("/")
    if not slash or not size.strip().isdigit():
        raise MalformedText(
            name="--cone", got=text, expected="a size and taper such as 30/.04 or 30/.04:0.32"
        )
    return ConeEntry(
        size=int(size),
        taper_mm_per_mm=_number(taper, "--cone"),
        gauged_mm=_number(gauged, "--cone") if gauged else None,
    )


def _number(text: str, name: str) -> float:
    from canalwright.cli.reading import read_numbers

    value = read_numbers(text, name=name, count=1, example="19.5")[0]
    if not value >= 0.0:
        raise MalformedText(name=name, got=text, expected="a length in mm, 0 or more")
    return value
