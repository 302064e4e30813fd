"""Graded values in documents."""

from __future__ import annotations

from typing import overload

from canalwright.evidence import Graded
from canalwright.exchange.document import Finite, Record

__all__ = ["GradedRecord", "graded_record"]


class GradedRecord(Record):
    """A value with its unit and where it comes from."""

    value: Finite
    unit: str = ""
    evidence: str
    source: str = ""
    sd: Finite | None = None
    note: str = ""


@overload
def graded_record(graded: Graded) -> GradedRecord: ...


@overload
def graded_record(graded: None) -> None: ...


@overload
def graded_record(graded: Graded | None) -> GradedRecord | None: ...


def graded_record(graded: Graded | None) -> GradedRecord | None:
    """Return a graded value as a record."""
    if graded is None:
        return None
    return GradedRecord(
        value=graded.value,
        unit=graded.unit,
        evidence=str(graded.evidence),
        source=graded.source,
        sd=graded.sd,
        note=graded.note,
    )
