"""A cohort evaluated: rows run where there is room, kept as they finish, joined to one table."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from canalwright.cohort.keeping import kept_text, put_json
from canalwright.cohort.measures import OUTCOMES
from canalwright.cohort.running import Executor, outcomes
from canalwright.cohort.specimen import RowTask, run_row
from canalwright.cohort.table import CohortTable

__all__ = ["CohortResult", "RowResult", "evaluate_cohort"]

ROWS: Final = "rows"
DONE, FAILED = "done", "failed"


@dataclass(frozen=True, eq=False)
class RowResult:
    """What is known of one row.

    Attributes
    ----------
    id : str
    status : {"done", "failed"}
    reason : str
        Why it failed.
    key : str
        Of inputs, options and version.
    measures : mapping of str to float or None
    cautions : tuple of mapping
    invented : bool
    reused : bool
        Whether it was kept from an earlier run.
    """

    id: str
    status: str
    reason: str = ""
    key: str = ""
    measures: Mapping[str, float | None] | None = None
    cautions: tuple[Mapping[str, str], ...] = ()
    invented: bool = False
    reused: bool = False


@dataclass(frozen=True, eq=False)
class CohortResult:
    """All rows in the order of the table."""

    table: CohortTable
    rows: tuple[RowResult, ...]
    seed: int

    @property
    def failed(self) -> tuple[RowResult, ...]:
        """Rows without a result."""
        return tuple(row for row in self.rows if row.status == FAILED)

    @property
    def outcomes(self) -> tuple[str, ...]:
        """Measures that any row has, in their usual order."""
        found = {name for row in self.rows for name in row.measures or ()}
        return tuple(name for name in OUTCOMES if name in found)

    def records(self) -> list[dict[str, Any]]:
        """Return one record per row: what the table says, how it went, and its measures."""
        names = self.outcomes
        return [
            {
                "id": row.id,
                "group": row.group,
                "pair": row.pair,
                **dict(row.covariates),
                "status": found.status,
                "reason": found.reason,
                **{name: _or_nan((found.measures or {}).get(name)) for name in names},
            }
            for row, found in zip(self.table.rows, self.rows, strict=True)
        ]


def evaluate_cohort(
    table: CohortTable,
    folder: Path,
    executor: Executor = Executor(),  # noqa: B008
    *,
    seed: int = 0,
    progress: Callable[[float], None] | None = None,
    on_dashboard: Callable[[str], None] | None = None,
    on_failure: Callable[[str, str], None] | None = None,
) -> CohortResult:
    """Evaluate every row; one that fails says why and stops no other.

    A row is kept in ``rows/ID.json`` as soon as it is finished, with a key of its inputs' content,
    its options, the seed and the version. In a later run rows with the same key are not computed
    again; failed ones are tried again.

    Parameters
    ----------
    table : CohortTable
    folder : Path
    executor : Executor
        Results do not depend on it.
    seed : int
        Of the draws behind standard deviations.
    progress, on_dashboard, on_failure : callable, optional

    Raises
    ------
    MissingExtra
        If an optional library is not installed.
    UsageError
        If no scheduler answers.
    """
    report = progress or (lambda _share: None)
    complain = on_failure or (lambda _name, _reason: None)
    room = folder / ROWS
    known = {row.id: kept_text(room / f"{row.id}.json") or {} for row in table.rows}
    tasks = ((row.id, RowTask(row, seed, _known_key(known[row.id]))) for row in table.rows)
    found: dict[str, RowResult] = {}
    for one in outcomes(run_row, tasks, executor, on_dashboard=on_dashboard):
        if one.reason:
            complain(one.name, one.reason)
            kept = {"status": FAILED, "reason": one.reason, "key": ""}
            put_json(room / f"{one.name}.json", kept)
            found[one.name] = RowResult(one.name, FAILED, one.reason)
        elif one.result.get("same"):
            found[one.name] = _kept(one.name, known[one.name])
        else:
            put_json(room / f"{one.name}.json", {"status": DONE, "reason": "", **one.result})
            found[one.name] = _fresh(one.name, one.result)
        report(len(found) / len(table.rows))
    return CohortResult(table, tuple(found[row.id] for row in table.rows), seed)


def _known_key(kept: Mapping[str, Any]) -> str:
    usable = kept.get("status") == DONE and isinstance(kept.get("measures"), dict)
    return str(kept.get("key", "")) if usable else ""


def _kept(name: str, kept: Mapping[str, Any]) -> RowResult:
    return RowResult(**{**_fields(name, kept), "reused": True})


def _fresh(name: str, result: Mapping[str, Any]) -> RowResult:
    return RowResult(**_fields(name, result))


def _fields(name: str, content: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "id": name,
        "status": DONE,
        "key": str(content["key"]),
        "measures": content["measures"],
        "cautions": tuple(content.get("cautions", ())),
        "invented": bool(content.get("invented", False)),
    }


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)
