"""What is recorded: cases, teeth, documents, attachments, visits, findings, instruments.

Every noun is frozen and has an `id` (32 hexadecimal digits), a `version` that rises by one with
every change, and `withdrawn`, which marks what was recorded by mistake: nothing is deleted.
Times are UTC text; dates are ``2026-01-31``; an empty text or None means not stated.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from typing import Any, ClassVar

from canalwright.errors import OutOfRange
from canalwright.records.kinds import (
    AttachmentKind,
    CaseStatus,
    DeviceEventKind,
    EventKind,
    Mishap,
    Outcome,
    SignOffDecision,
    VisitState,
)

__all__ = [
    "Attachment",
    "AttachmentKind",
    "Case",
    "CaseStatus",
    "DeviceEvent",
    "DeviceEventKind",
    "Document",
    "EventKind",
    "Mishap",
    "Noun",
    "Outcome",
    "PhysicalInstrument",
    "Recall",
    "SignOff",
    "SignOffDecision",
    "Stock",
    "Tooth",
    "Visit",
    "VisitEvent",
    "VisitState",
    "new_id",
]


def new_id() -> str:
    """Return a new id, unlike any other in any place."""
    return uuid.uuid4().hex


@dataclass(frozen=True, slots=True, kw_only=True)
class Noun:
    """What all records share."""

    kind: ClassVar[str] = ""

    id: str = field(default_factory=new_id)
    version: int = 0
    withdrawn: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Case(Noun):
    """One case: a person as far as this program knows one.

    Attributes
    ----------
    pseudonym : str
        The name of the case; made up by the program unless given.
    label : str
        Free text of the user's; not needed, and not meant for a person's name.
    status : CaseStatus
    difficulty : str
        The user's own class, e.g. ``minimal``, ``moderate``, ``high``; statistics group by it.
    invented : bool
        Whether the case is made up for teaching.
    note : str
    """

    kind: ClassVar[str] = "cases"

    pseudonym: str
    label: str = ""
    status: CaseStatus = CaseStatus.OPEN
    invented: bool = False
    note: str = ""
    difficulty: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tooth(Noun):
    """A tooth of a case; `number` in the user's own system (two-digit: ``36``)."""

    kind: ClassVar[str] = "teeth"

    case_id: str
    number: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment(Noun):
    """A file of a case: one slice of a scan, a radiograph, anything.

    Attributes
    ----------
    attachment_kind : AttachmentKind
    group_id : str
        Files of one scan share it.
    name : str
        Made by the program: the file's own name may hold a person's.
    sha256 : str
    media_type : str
    size_bytes : int
    cleaned : str
        How identifying attributes were taken out; empty for a file kept as it was.
    """

    kind: ClassVar[str] = "attachments"

    case_id: str
    attachment_kind: AttachmentKind
    name: str
    sha256: str
    size_bytes: int
    group_id: str = ""
    tooth_id: str | None = None
    media_type: str = "application/octet-stream"
    cleaned: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Document(Noun):
    """A JSON document: canals, a plan, a tray; kept as canonical text under its SHA-256.

    Attributes
    ----------
    case_id : str or None
        None for trays and other documents of the practice.
    document_kind : str
        ``canals``, ``plan``, ``tray``, ``visit-plan`` …: the middle of its schema.
    schema : str
        Kind and major version, ``canalwright/plan@1``.
    sha256 : str
        Of the canonical text.
    original_sha256 : str
        Of the bytes as they came, which other documents cite.
    """

    kind: ClassVar[str] = "documents"

    document_kind: str
    schema: str
    name: str
    sha256: str
    size_bytes: int
    original_sha256: str = ""
    case_id: str | None = None
    tooth_id: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit(Noun):
    """One visit."""

    kind: ClassVar[str] = "visits"

    case_id: str
    started_utc: str
    ended_utc: str = ""
    state: VisitState = VisitState.OPEN
    operator: str = ""
    tooth_id: str | None = None
    plan_id: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitEvent(Noun):
    """Something that happened in a visit, in the order of `position`.

    Attributes
    ----------
    event_kind : EventKind
    instrument : str
        Id of the kind of instrument, ``engine-25-04``.
    physical_id : str or None
        The physical instrument, where lives are kept.
    from_level_mm, to_level_mm : float or None
        Levels of the tip above the terminus.
    time_s, speed_rpm, peak_torque_ncm : float or None
        Time at work; speed; the motor's largest reading, where logged.
    length_mm : float or None
        New working length for a length change, fragment length for a separation.
    damage : list of [station_mm, share]
        Estimated share of mean life used up by this use, per station from the tip.
    details : dict
        Anything else, e.g. irrigant, concentration and volume.

    Raises
    ------
    OutOfRange
        If a level, time, speed or torque is impossible.
    """

    kind: ClassVar[str] = "visit_events"

    case_id: str
    visit_id: str
    position: int
    event_kind: EventKind
    at_utc: str = ""
    tooth_id: str | None = None
    canal: str = ""
    instrument: str = ""
    physical_id: str | None = None
    from_level_mm: float | None = None
    to_level_mm: float | None = None
    time_s: float | None = None
    speed_rpm: float | None = None
    peak_torque_ncm: float | None = None
    length_mm: float | None = None
    damage: list[list[float]] = field(default_factory=list)
    details: dict[str, Any] = field(default_factory=dict)
    note: str = ""

    def __post_init__(self) -> None:
        _check_range("from level", self.from_level_mm, "mm", -5.0, 40.0)
        _check_range("to level", self.to_level_mm, "mm", -5.0, 40.0)
        _check_range("time at work", self.time_s, "s", 0.0, 7200.0)
        _check_range("speed", self.speed_rpm, "rpm", 0.0, 50_000.0)
        _check_range("peak torque", self.peak_torque_ncm, "N·cm", 0.0, 50.0)
        _check_range("length", self.length_mm, "mm", 0.0, 40.0)
        for station_mm, share in self.damage:
            _check_range("station of damage", station_mm, "mm", 0.0, 40.0)
            _check_range("damage", share, "", 0.0, 1e6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recall(Noun):
    """Findings at a recall.

    Attributes
    ----------
    periapical_index : int or None
        1 to 5, as read from the radiograph.
    symptoms : str
        Empty for none.
    outcome : Outcome or None

    Raises
    ------
    OutOfRange
        If the periapical index is not 1 to 5.
    """

    kind: ClassVar[str] = "recalls"

    case_id: str
    on_date: str
    tooth_id: str | None = None
    periapical_index: int | None = None
    symptoms: str = ""
    outcome: Outcome | None = None
    note: str = ""

    def __post_init__(self) -> None:
        _check_range("periapical index", self.periapical_index, "", 1, 5)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignOff(Noun):
    """What a supervisor said of a plan or a visit, in the version that was read.

    Attributes
    ----------
    case_id : str
    subject_kind : str
        ``documents`` or ``visits``.
    subject_id : str
    subject_version : int
    decision : SignOffDecision
    signed_by : str
        Name of the user who signed.
    note : str
    """

    kind: ClassVar[str] = "sign_offs"

    case_id: str
    subject_kind: str
    subject_id: str
    subject_version: int
    decision: SignOffDecision
    signed_by: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhysicalInstrument(Noun):
    """One instrument that can be held in the hand.

    Attributes
    ----------
    code : str
        What is written on its box or stop; unique.
    instrument : str
        Id of its kind, ``engine-25-04``.
    lot, opened_on, expires_on : str
    single_use : bool
    most_uses, most_sterilizations : int or None
        Caps of the practice or the maker.
    most_life_share : float
        Share of estimated mean fatigue life after which it is discarded.
    stock_id : str or None
        Where it was taken from.
    """

    kind: ClassVar[str] = "instruments"

    code: str
    instrument: str
    lot: str = ""
    opened_on: str = ""
    expires_on: str = ""
    single_use: bool = False
    most_uses: int | None = None
    most_sterilizations: int | None = None
    most_life_share: float = 0.5
    stock_id: str | None = None
    note: str = ""

    def __post_init__(self) -> None:
        _check_range("most uses", self.most_uses, "", 1, 1000)
        _check_range("most sterilizations", self.most_sterilizations, "", 0, 1000)
        _check_range("largest share of life", self.most_life_share, "", 0.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceEvent(Noun):
    """Something that happened to a physical instrument outside the mouth."""

    kind: ClassVar[str] = "instrument_events"

    physical_id: str
    device_event_kind: DeviceEventKind
    on_date: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock(Noun):
    """A delivery of one kind of instrument."""

    kind: ClassVar[str] = "stock"

    instrument: str
    received_count: int
    lot: str = ""
    expires_on: str = ""
    received_on: str = ""
    discarded_count: int = 0
    note: str = ""

    def __post_init__(self) -> None:
        _check_range("number received", self.received_count, "", 0, 1_000_000)
        _check_range("number discarded", self.discarded_count, "", 0, self.received_count)


def _check_range(name: str, got: float | None, unit: str, low: float, high: float) -> None:
    if got is not None and not low <= got <= high:
        raise OutOfRange(name=name, got=got, unit=unit, allowed=(low, high))
