"""What the operator enters for a visit, as it stands in a ``visit-plan@1`` document."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from canalwright.exchange.document import Finite, NotNegative, Positive, Record

__all__ = [
    "CanalEntry",
    "CheckEntry",
    "ConeEntry",
    "DiagnosisEntry",
    "IrrigationEntry",
    "PatencyEntry",
    "ReadingEntry",
    "RinseEntry",
    "StepEntry",
    "VisitEntries",
]

Quantity = str | Finite
"""A number in the trade's unit, or text with a unit such as ``"150 gf·cm"``."""


class ReadingEntry(Record):
    """One length; of a radiograph either ``length_mm`` or the three lengths of the proportion.

    Without a ``landmark`` a radiograph shows the apex, a hand feels the constriction, and all
    else goes to the foramen.
    """

    method: Literal["scan", "radiograph", "electronic", "tactile"]
    length_mm: Positive | None = None
    landmark: Literal["apex", "foramen", "constriction"] | None = None
    sd_mm: Positive | None = None
    note: str = ""
    true_instrument_mm: Positive | None = None
    apparent_instrument_mm: Positive | None = None
    apparent_tooth_mm: Positive | None = None


class StepEntry(Record):
    """One step; ``short_mm`` counts from working length."""

    instrument: str
    short_mm: NotNegative = 0.0
    rated_speed: Quantity | None = None
    rated_torque: Quantity | None = None
    motion: Literal["by hand", "continuous rotation", "reciprocation"] | None = None


class ConeEntry(Record):
    """The operator's master cone."""

    size: int
    taper_mm_per_mm: Positive
    gauged_mm: Positive | None = None


class PatencyEntry(Record):
    """The patency file; ``past_mm`` counts from the foramen."""

    instrument: str
    past_mm: NotNegative = 0.5
    loose_mm: NotNegative = 0.01


class CanalEntry(Record):
    """What is entered for one canal."""

    canal: str
    steps: Annotated[list[StepEntry], Field(min_length=1)]
    target_size: int = 30
    target_taper_mm_per_mm: NotNegative = 0.04
    reference: str = ""
    crown_mm: NotNegative | None = None
    readings: list[ReadingEntry] = Field(default_factory=list)
    policy: str = "half-short"
    older: bool = False
    confirmed_mm: Positive | None = None
    tooth_length_mm: Positive | None = None
    patency: PatencyEntry | None = None
    patency_skipped: str = ""
    torque_limit: Quantity | None = None
    cone: ConeEntry | None = None


class RinseEntry(Record):
    """One line of the plan of irrigants."""

    when: str
    irrigant: str
    strength: str = ""
    volume_ml: NotNegative
    contact_s: NotNegative
    evidence: str = "stated by the operator"
    note: str = ""


class IrrigationEntry(Record):
    """Needle, flow and irrigants; without ``rinses`` the usual plan is taken."""

    gauge: int = 30
    vent: Literal["side-vented", "open-ended"] = "side-vented"
    short_mm: NotNegative = 1.0
    flow_ml_per_min: Positive | None = None
    rinses: list[RinseEntry] | None = None


class DiagnosisEntry(Record):
    """One pulpal and one apical term."""

    pulpal: str = ""
    apical: str = ""
    vocabulary: str = "2009 consensus terms"


class CheckEntry(Record):
    """A mark and free text for one line of the checklist."""

    note: str = ""
    done: bool = False


class VisitEntries(Record):
    """Everything that is entered; edit this part and work the visit out again."""

    canals: Annotated[list[CanalEntry], Field(min_length=1)]
    tooth: str = ""
    title: str = ""
    diagnosis: DiagnosisEntry = Field(default_factory=DiagnosisEntry)
    factors: dict[str, Quantity] = Field(default_factory=dict)
    checklist: dict[str, CheckEntry] = Field(default_factory=dict)
    irrigation: IrrigationEntry = Field(default_factory=IrrigationEntry)
    plugger_mm: list[Positive] = Field(default_factory=list)
    technique: str = ""
    notes: str = ""
