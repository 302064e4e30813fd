"""The documents ``canalwright/cohort@1`` and ``canalwright/population@1``."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, ClassVar

from pydantic import JsonValue

from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.exchange.document import (
    CautionRecord,
    Document,
    Finite,
    Record,
    caution_records,
    header,
)

__all__ = [
    "CohortDocument",
    "CohortRowRecord",
    "PopulationDocument",
    "QuantityRecord",
    "cohort_document",
    "population_document",
]


class CohortRowRecord(Record):
    """One specimen: how it went, and its measures by name, null where one is not known."""

    id: str
    group: str
    pair: str
    status: str
    reason: str
    measures: dict[str, Finite | None]


class CohortDocument(Document):
    """A cohort of specimens: rows, and groups compared.

    ``groups``, ``contrasts`` and ``models`` are rows of their tables: count, mean, spread and
    quartiles per group; differences of means (Welch) and Hedges' g with 95 % limits; terms of the
    mixed or linear models.
    """

    kind: ClassVar[str] = "canalwright/cohort@1"

    rows: list[CohortRowRecord]
    groups: list[dict[str, JsonValue]]
    contrasts: list[dict[str, JsonValue]]
    models: list[dict[str, JsonValue]]


class QuantityRecord(Record):
    """A quantity of the population, with its origin."""

    name: str
    values: list[Finite]
    meaning: str
    unit: str
    evidence: str
    source: str
    note: str


class PopulationDocument(Document):
    """Protocols compared over virtual canals.

    ``distributions`` holds a row per protocol and measure, ``differences`` one per measure and
    protocol against the first, canal by canal.
    """

    kind: ClassVar[str] = "canalwright/population@1"

    population: str
    quantities: list[QuantityRecord]
    canals: int
    seed: int
    failed_canals: int
    protocols: dict[str, list[str]]
    distributions: list[dict[str, JsonValue]]
    differences: list[dict[str, JsonValue]]


def cohort_document(
    rows: Iterable[Mapping[str, Any]],
    measures: Iterable[str],
    groups: Iterable[Mapping[str, Any]],
    contrasts: Iterable[Mapping[str, Any]],
    models: Iterable[Mapping[str, Any]],
    *,
    inputs: Mapping[str, Any],
    cautions: Iterable[CautionRecord] = (),
    invented: bool = False,
) -> CohortDocument:
    """Return a cohort as a document; rows as `CohortResult.records` gives them."""
    names = tuple(measures)
    said = {one.code + one.text: one for one in (*cautions, *caution_records(CLINICAL_CAUTIONS))}
    return CohortDocument(
        **header(CohortDocument),
        invented=invented,
        inputs=dict(inputs),
        cautions=list(said.values()),
        rows=[_row(one, names) for one in rows],
        groups=[_plain(one) for one in groups],
        contrasts=[_plain(one) for one in contrasts],
        models=[_plain(one) for one in models],
    )


def _row(one: Mapping[str, Any], measures: tuple[str, ...]) -> CohortRowRecord:
    fields = {name: str(one[name]) for name in ("id", "group", "pair", "status", "reason")}
    return CohortRowRecord(**fields, measures={name: _number(one[name]) for name in measures})


def population_document(
    *,
    population: str,
    quantities: Iterable[Mapping[str, Any]],
    canals: int,
    seed: int,
    failed_canals: int,
    protocols: Mapping[str, Iterable[str]],
    distributions: Iterable[Mapping[str, Any]],
    differences: Iterable[Mapping[str, Any]],
    inputs: Mapping[str, Any],
    cautions: Iterable[Caution] = (),
) -> PopulationDocument:
    """Return protocols over a population as a document; always marked as invented."""
    return PopulationDocument(
        **header(PopulationDocument),
        invented=True,
        inputs=dict(inputs),
        cautions=caution_records(merged(cautions, CLINICAL_CAUTIONS)),
        population=population,
        quantities=[
            QuantityRecord(**{**one, "values": list(one["values"]), "evidence": one["evidence"]})
            for one in quantities
        ],
        canals=canals,
        seed=seed,
        failed_canals=failed_canals,
        protocols={name: list(passes) for name, passes in protocols.items()},
        distributions=[_plain(one) for one in distributions],
        differences=[_plain(one) for one in differences],
    )


def _plain(one: Mapping[str, Any]) -> dict[str, JsonValue]:
    return {
        name: _number(value)
        if isinstance(value, float)
        else [_number(part) for part in value]
        if isinstance(value, tuple)
        else value
        for name, value in one.items()
    }


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
