"""The document ``canalwright/proposals@1``: canals proposed for confirmation."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Any, ClassVar, Self

from pydantic import Field, model_validator

from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.exchange.document import (
    CautionRecord,
    Document,
    Finite,
    NotNegative,
    Record,
    caution_records,
    header,
)
from canalwright.exchange.numbers import number, number_list
from canalwright.imaging.propose import Proposal

__all__ = ["ConfidenceRecord", "ProposalRecord", "ProposalsDocument", "proposals_document"]

Share = Annotated[Finite, Field(ge=0.0, le=1.0)]
Point = Annotated[list[Finite], Field(min_length=3, max_length=3)]


class ConfidenceRecord(Record):
    """How sure a proposal is, 0 to 1, and the parts of it; an ordering, not a probability."""

    total: Share
    seen: Share
    closed: Share
    long: Share
    reaches: Share


class ProposalRecord(Record):
    """One proposed canal: two points to measure between, and the way between them.

    ``joins`` names the canal it runs into, ``joins_at_mm`` how far from their common terminus;
    ``unseen_mm`` is the length at the terminus that was drawn to the surface and is not seen.
    """

    name: Annotated[str, Field(min_length=1)]
    orifice_mm: Point
    terminus_mm: Point
    length_mm: NotNegative
    confidence: ConfidenceRecord
    joins: str | None = None
    joins_at_mm: NotNegative | None = None
    unseen_mm: NotNegative = 0.0
    path_mm: Annotated[list[Point], Field(min_length=2)]
    cautions: list[CautionRecord] = Field(default_factory=list)


class ProposalsDocument(Document):
    """The document ``canalwright/proposals@1``; paths run from terminus to orifice."""

    kind: ClassVar[str] = "canalwright/proposals@1"

    proposals: Annotated[list[ProposalRecord], Field(min_length=1)]

    @model_validator(mode="after")
    def _names_are_unique(self) -> Self:
        names = [one.name for one in self.proposals]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"names two proposals {name!r}")
        return self


def proposals_document(
    proposals: Iterable[Proposal],
    inputs: Mapping[str, Any],
    cautions: Iterable[Caution] = (),
    *,
    invented: bool = False,
) -> ProposalsDocument:
    """Return proposals as a document.

    Parameters
    ----------
    proposals : iterable of Proposal
        At least one.
    inputs : dict
        What they were found in, and with which options.
    cautions : iterable of Caution
        Those that hold for the scan.
    invented : bool
        Whether the scan is made up.
    """
    return ProposalsDocument(
        **header(ProposalsDocument),
        invented=invented,
        inputs=dict(inputs),
        proposals=[_record(one) for one in proposals],
        cautions=caution_records(merged(cautions, CLINICAL_CAUTIONS)),
    )


def _record(one: Proposal) -> ProposalRecord:
    parts = one.confidence
    return ProposalRecord(
        name=one.name,
        orifice_mm=list(one.orifice_mm),
        terminus_mm=list(one.terminus_mm),
        length_mm=round(one.length_mm, 2),
        confidence=ConfidenceRecord(
            total=round(parts.total, 3),
            seen=round(parts.seen, 3),
            closed=round(parts.closed, 3),
            long=round(parts.long, 3),
            reaches=round(parts.reaches, 3),
        ),
        joins=one.joins or None,
        joins_at_mm=number(one.joins_at_mm, 2),
        unseen_mm=round(one.unseen_mm, 2),
        path_mm=[number_list(point, 3) for point in one.path_mm],
        cautions=caution_records(one.cautions),
    )
