"""What the instruments place asks for: lives, deliveries, trays of one's own."""

from __future__ import annotations

import json
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canalwright.errors import BadInput, CanalwrightError
from canalwright.instruments.tray import Tray, standard_tray
from canalwright.records.access.roles import Operation
from canalwright.records.documents import add_document, require_document
from canalwright.records.lives import (
    Life,
    add_device_event,
    find_instrument,
    life_of,
    lives,
    open_instrument,
)
from canalwright.records.nouns import (
    Case,
    DeviceEvent,
    DeviceEventKind,
    Document,
    PhysicalInstrument,
    Stock,
)
from canalwright.records.practice import invented_cases
from canalwright.records.stock import StockLine, receive_stock, stock_lines
from canalwright.reports.text import format_count, instrument_label

if TYPE_CHECKING:
    from canalwright.exchange.tray_files import TrayImport
    from canalwright.records.access.gate import Gate
    from canalwright.records.store import Reading

__all__ = [
    "LARGEST_TRAY_BYTES",
    "STANDARD",
    "KeptTray",
    "OneLife",
    "Stockroom",
    "checked_tray",
    "keep_tray",
    "kept_tray",
    "kept_trays",
    "life_sentences",
    "life_state",
    "one_life",
    "open_one",
    "receive",
    "record_event",
    "stockroom",
    "today",
    "tray_kinds",
    "withdraw_tray",
]

LARGEST_TRAY_BYTES: Final = 20_000_000
STANDARD: Final = "standard"
"""Id of the tray that is built in."""


@dataclass(frozen=True, eq=False)
class KeptTray:
    """A tray and the document it is recorded as; None for the standard one."""

    tray: Tray
    document: Document | None = None

    @property
    def id(self) -> str:
        """Its address."""
        return self.document.id if self.document else STANDARD


@dataclass(frozen=True, eq=False)
class Stockroom:
    """Everything on the instruments place; `invented` if any use was in an invented case."""

    lives: tuple[Life, ...]
    stock: tuple[StockLine, ...]
    trays: tuple[KeptTray, ...]
    invented: bool = False

    @property
    def in_service(self) -> tuple[Life, ...]:
        """Instruments that are not discarded, those to be discarded first."""
        kept = [life for life in self.lives if not life.discarded]
        return tuple(sorted(kept, key=lambda life: (life.usable, life.instrument.code)))

    @property
    def discarded(self) -> tuple[Life, ...]:
        """Instruments out of service."""
        return tuple(life for life in self.lives if life.discarded)

    @property
    def kinds(self) -> dict[str, str]:
        """Every kind of instrument in any tray, id to name."""
        return {
            entry.instrument.id: instrument_label(entry.instrument)
            for kept in self.trays
            for entry in kept.tray.entries
        }

    def deliveries(self, kind: str) -> dict[str, str]:
        """Return the deliveries of a kind from which something is left, id to name."""
        return {
            line.delivery.id: _delivery_name(line)
            for line in self.stock
            if line.delivery.instrument == kind and line.left_count > 0
        }


@dataclass(frozen=True, eq=False)
class OneLife:
    """One physical instrument, what happened to it, and the names of cases the visitor reaches.

    `invented` tells whether any use was in an invented case.
    """

    life: Life
    events: tuple[DeviceEvent, ...]
    cases: dict[str, str]
    invented: bool


def today(gate: Gate) -> str:
    """Return today's date in UTC."""
    return gate.store.clock().date().isoformat()


def stockroom(gate: Gate) -> Stockroom:
    """Return lives, deliveries and trays.

    Raises
    ------
    Forbidden
        If the visitor's roles do not allow it.
    """
    now = today(gate)
    with gate.reading(Operation.INSTRUMENT_READ) as reading:
        known = tuple(lives(reading, today=now))
        made_up = invented_cases(reading)
        return Stockroom(
            known,
            tuple(stock_lines(reading, today=now)),
            (KeptTray(standard_tray()), *_kept_trays(reading)),
            any(_uses_any(life, made_up) for life in known),
        )


def one_life(gate: Gate, code: str) -> OneLife:
    """Return one instrument by its code.

    Raises
    ------
    NotRecorded
        If there is none.
    """
    with gate.reading(Operation.INSTRUMENT_READ, subject=code) as reading:
        found = find_instrument(reading, code)
        life = life_of(reading, found, today=today(gate))
        outside = reading.find(DeviceEvent, physical_id=found.id, withdrawn=False)
        made_up = _uses_any(life, invented_cases(reading))
        used_in = dict.fromkeys(use.event.case_id for use in life.uses)
        cases = {
            one: reading.get(Case, one).pseudonym for one in used_in if gate.reaches(reading, one)
        }
    return OneLife(life, tuple(outside), cases, made_up)


def open_one(gate: Gate, **what: Any) -> PhysicalInstrument:
    """Take a physical instrument into service.

    Raises
    ------
    CanalwrightError
        If the code is taken or empty, or a value is impossible.
    """
    if not str(what.get("code", "")).strip():
        raise BadInput("The instrument needs a code, the one that is written on it or its box.")
    if not what.get("instrument"):
        raise BadInput("Choose which kind of instrument it is.")
    with gate.writing(Operation.INSTRUMENT_EDIT, subject=what["code"]) as writing:
        return open_instrument(writing, **what)


def receive(gate: Gate, **what: Any) -> Stock:
    """Record a delivery.

    Raises
    ------
    CanalwrightError
        If a value is impossible.
    """
    if not what.get("instrument"):
        raise BadInput("Choose which kind of instrument was delivered.")
    with gate.writing(Operation.INSTRUMENT_EDIT, subject=what["instrument"]) as writing:
        return receive_stock(writing, **what)


def record_event(
    gate: Gate, code: str, kind: DeviceEventKind, *, on_date: str = "", note: str = ""
) -> DeviceEvent:
    """Record what happened to an instrument outside the mouth.

    Raises
    ------
    CanalwrightError
        If there is no such instrument, or it is discarded.
    """
    with gate.writing(Operation.INSTRUMENT_EDIT, subject=code) as writing:
        found = find_instrument(writing, code)
        return add_device_event(writing, found.id, kind, on_date=on_date, note=note)


def life_state(life: Life) -> str:
    """Return in words whether it may be used, and why not."""
    if life.discarded:
        return f"discarded {life.discarded}"
    if life.discard_reasons:
        return "discard: " + "; ".join(life.discard_reasons)
    return "usable after inspection"


def life_sentences(life: Life) -> list[str]:
    """Return what it has been through, and what is left of its life."""
    low, mean, high = life.life_left_share
    lines = [
        f"Used in {format_count(life.visit_count, 'visit')} and "
        f"{format_count(life.canal_count, 'canal')}, {life.turning_s:.0f} s at work, sterilized "
        f"{format_count(life.sterilization_count, 'time')}."
    ]
    if life.damage:
        lines.append(
            f"Estimated {100 * life.worst_damage:.0f} % of mean fatigue life used at "
            f"{life.worst_station_mm:g} mm from the tip; {100 * mean:.0f} % left "
            f"({100 * low:.0f} to {100 * high:.0f} % with the scatter of equal instruments). "
            f"To be discarded at {100 * life.instrument.most_life_share:.0f} %."
        )
    if life.unlogged_damage_count:
        uses = format_count(life.unlogged_damage_count, "use")
        lines.append(f"{uses} without an estimate of damage: more life is used than stated.")
    return lines


def tray_kinds(kept: KeptTray) -> list[tuple[str, str, int]]:
    """Return id, name and count of every instrument of a tray."""
    return [
        (entry.instrument.id, instrument_label(entry.instrument), entry.count)
        for entry in kept.tray.entries
    ]


def checked_tray(name: str, content: bytes) -> TrayImport:
    """Read a tray file row by row; its faults are in the answer.

    Raises
    ------
    UnreadableFile
        If it is no CSV or YAML tray.
    """
    from canalwright.exchange.tray_files import import_tray

    with tempfile.TemporaryDirectory(prefix="canalwright-tray-") as folder:
        path = Path(folder) / _file_name(name)
        path.write_bytes(content)
        try:
            return import_tray(path)
        except CanalwrightError as error:
            if hasattr(error, "path"):
                error.path = path.name
            raise


def keep_tray(gate: Gate, found: TrayImport, *, without_faulty_rows: bool = False) -> Document:
    """Record a tray.

    Raises
    ------
    FaultyRows
        If rows have faults and leaving them out was not confirmed.
    """
    import yaml

    from canalwright.exchange.tray_files import tray_yaml

    tray = found.tray(without_faulty_rows=without_faulty_rows)
    content = json.dumps(yaml.safe_load(tray_yaml(tray))).encode()
    with gate.writing(Operation.INSTRUMENT_EDIT, subject=tray.name) as writing:
        return add_document(writing, content, name=tray.name)


def kept_trays(gate: Gate) -> tuple[KeptTray, ...]:
    """Return the recorded trays."""
    with gate.reading(Operation.INSTRUMENT_READ) as reading:
        return tuple(_kept_trays(reading))


def kept_tray(gate: Gate, document_id: str) -> KeptTray:
    """Return a recorded tray, also one that is no longer offered.

    Raises
    ------
    NotRecorded
        If there is none.
    """
    with gate.reading(Operation.INSTRUMENT_READ, subject=document_id) as reading:
        document = require_document(reading, document_id, "tray")
        return KeptTray(_tray_of(reading.files.read(document.sha256)), document)


def withdraw_tray(gate: Gate, document_id: str, reason: str) -> None:
    """Mark a recorded tray as no longer wanted.

    Raises
    ------
    NotRecorded
        If there is none.
    """
    with gate.writing(Operation.INSTRUMENT_EDIT, subject=document_id) as writing:
        writing.withdraw(require_document(writing, document_id, "tray"), reason=reason)


def _uses_any(life: Life, cases: frozenset[str]) -> bool:
    return any(use.event.case_id in cases for use in life.uses)


def _kept_trays(reading: Reading) -> list[KeptTray]:
    found = reading.find(Document, document_kind="tray", case_id=None, withdrawn=False)
    return [KeptTray(_tray_of(reading.files.read(one.sha256)), one) for one in found]


def _tray_of(content: bytes) -> Tray:
    from canalwright.exchange.tray_files import read_tray

    with tempfile.TemporaryDirectory(prefix="canalwright-tray-") as folder:
        # What is valid JSON is valid YAML.
        path = Path(folder) / "tray.yaml"
        path.write_bytes(content)
        return read_tray(path)


def _delivery_name(line: StockLine) -> str:
    one = line.delivery
    parts = (
        f"lot {one.lot}" if one.lot else "no lot stated",
        f"expires {one.expires_on}" if one.expires_on else "",
        f"{line.left_count} left",
        "EXPIRED" if line.expired else "",
    )
    return ", ".join(part for part in parts if part)


def _file_name(name: str) -> str:
    """Return a plain file name: letters, digits, dots and dashes of the last part of a path."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    plain = "".join(c if c.isalnum() or c in "._-" else "_" for c in last)
    return plain.lstrip(".")[-80:] or "tray"
