"""What records enumerate: states, kinds of files, events and outcomes."""

from __future__ import annotations

from enum import StrEnum

__all__ = [
    "AttachmentKind",
    "CaseStatus",
    "DeviceEventKind",
    "EventKind",
    "Mishap",
    "Outcome",
    "SignOffDecision",
    "VisitState",
]


class CaseStatus(StrEnum):
    """How far a case has come."""

    OPEN = "open"
    TREATED = "treated"
    CLOSED = "closed"


class VisitState(StrEnum):
    """Whether a visit still goes on."""

    OPEN = "open"
    CLOSED = "closed"


class AttachmentKind(StrEnum):
    """What an attached file is."""

    SCAN = "scan"
    RADIOGRAPH = "radiograph"
    PHOTO = "photo"
    FILE = "file"


class EventKind(StrEnum):
    """What can happen in a visit."""

    INSTRUMENT = "instrument"
    BLOCK = "block"
    LEDGE = "ledge"
    DEFORMATION = "deformation"
    SEPARATION = "separation"
    PERFORATION = "perforation"
    BLEEDING = "bleeding"
    LENGTH_CHANGE = "length-change"
    IRRIGATION = "irrigation"
    NOTE = "note"


class Mishap(StrEnum):
    """Events that statistics count as mishaps."""

    BLOCK = "block"
    LEDGE = "ledge"
    DEFORMATION = "deformation"
    SEPARATION = "separation"
    PERFORATION = "perforation"
    LENGTH_CHANGE = "length-change"


class Outcome(StrEnum):
    """Judgment at a recall (strict and loose healing are common usage in outcome studies)."""

    HEALED = "healed"
    HEALING = "healing"
    DISEASED = "diseased"
    UNCERTAIN = "uncertain"
    EXTRACTED = "extracted"


class DeviceEventKind(StrEnum):
    """What can happen to a physical instrument outside the mouth."""

    STERILIZED = "sterilized"
    INSPECTED = "inspected"
    DEFORMATION_SEEN = "deformation-seen"
    DISCARDED = "discarded"
    TAKEN_BACK = "taken-back"


class SignOffDecision(StrEnum):
    """What a supervisor said of a plan or a visit."""

    AGREED = "agreed"
    RETURNED = "returned"
