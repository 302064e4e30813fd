"""What the outcomes place asks for: recalls, statistics, figures, tables as CSV."""

from __future__ import annotations

import io
import zipfile
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from canalwright.errors import BadInput
from canalwright.records.access.roles import Operation
from canalwright.records.cases import open_case
from canalwright.records.nouns import Outcome, Recall
from canalwright.records.practice import GROUP_KEYS, PracticeStatistics, practice_statistics
from canalwright.records.visits import add_recall, checked_date
from canalwright.web.stockroom import today

if TYPE_CHECKING:
    from canalwright.records.access.gate import Gate
    from canalwright.records.cases import CaseFile
    from canalwright.records.statistics import GroupKey, Share

__all__ = [
    "INDEX_WORDS",
    "Asked",
    "Drawn",
    "draw",
    "few_words",
    "percent_range",
    "reachable_cases",
    "recalls_of",
    "record_recall",
    "statistics",
    "tables_zip",
]

INDEX_WORDS: Final = {
    1: "1 – normal",
    2: "2 – small changes in bone",
    3: "3 – some mineral lost",
    4: "4 – clear radiolucency",
    5: "5 – radiolucency with signs of flare-up",
}
"""The five steps of the periapical index, in brief (common practice, wording of this program)."""

_FEW_CANALS: Final = 30
_FEW_RUN: Final = 12
_CASES: Final = 200


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of the statistics."""

    key: GroupKey = "difficulty"
    since: str = ""
    until: str = ""
    invented: bool = False
    exact: bool = False


@dataclass(frozen=True, slots=True)
class Drawn:
    """One figure and what it shows."""

    name: str
    svg: str


def reachable_cases(gate: Gate) -> dict[str, str]:
    """Return the cases that the visitor reaches, the last changed first: id to name."""
    page = gate.cases(limit=_CASES)
    return {
        line.case.id: " · ".join(
            part for part in (line.case.pseudonym, line.case.label, ", ".join(line.teeth)) if part
        )
        for line in page.lines
    }


def recalls_of(gate: Gate, case_id: str) -> CaseFile:
    """Return a case with its recalls.

    Raises
    ------
    NotRecorded
        If there is no such case, or the visitor does not reach it.
    """
    with gate.reading(Operation.CASE_READ, case_id, "recalls") as reading:
        return open_case(reading, case_id)


def record_recall(
    gate: Gate,
    case_id: str,
    *,
    on_date: str = "",
    tooth: str = "",
    periapical_index: int | None = None,
    symptoms: str = "",
    outcome: str = "",
    note: str = "",
) -> Recall:
    """Record findings at a recall.

    Raises
    ------
    CanalwrightError
        If nothing was found, or a value is impossible.
    """
    if not (periapical_index or symptoms.strip() or outcome or note.strip()):
        raise BadInput("Nothing was found at this recall; give an index, symptoms or an outcome.")
    with gate.writing(Operation.RECALL_ADD, case_id) as writing:
        return add_recall(
            writing,
            case_id,
            on_date=on_date,
            tooth=tooth,
            periapical_index=periapical_index,
            symptoms=symptoms,
            outcome=Outcome(outcome) if outcome else None,
            note=note,
        )


def statistics(gate: Gate, asked: Asked) -> PracticeStatistics:
    """Return the statistics of the practice.

    Raises
    ------
    CanalwrightError
        If a date is none, or the visitor's roles do not allow it.
    """
    if asked.key not in GROUP_KEYS:
        raise BadInput(f"There is no grouping by {asked.key!r}.")
    since, until = checked_date(asked.since, "from"), checked_date(asked.until, "to")
    with gate.reading(Operation.STATISTICS_READ) as reading:
        return practice_statistics(
            reading,
            asked.key,
            since=since,
            until=until,
            invented=asked.invented,
            method="exact" if asked.exact else "wilson",
            today=today(gate),
        )


def draw(found: PracticeStatistics, *, invented: bool) -> list[Drawn]:
    """Return the figures there are data for."""
    from canalwright.reports.statistics_figure import funnel_figure, run_figure, survival_figure
    from canalwright.reports.style import figure_svg

    drawn = []
    if found.canals:
        drawn.append(("Mishaps by group", funnel_figure(found.funnel, invented=invented)))
    if len(found.run.values):
        drawn.append(("Time at work in order", run_figure(found.run, invented=invented)))
    if any(curve.failed_count for curve in found.survival):
        drawn.append(
            ("Instruments still sound", survival_figure(found.survival, invented=invented))
        )
    return [Drawn(name, figure_svg(figure).decode()) for name, figure in drawn]


def few_words(found: PracticeStatistics) -> list[str]:
    """Return in words what the numbers are too few for."""
    count = len(found.canals)
    if count == 0:
        return [
            "No instrumented canal is recorded in this span. Canals count as soon as an "
            "instrument was logged for them in a visit."
        ]
    said = []
    if count < _FEW_CANALS:
        said.append(
            f"Only {count} canals: one mishap more or less moves the share by "
            f"{100.0 / count:.0f} %. Look at the intervals, not at the percentages."
        )
    if 0 < len(found.run.values) < _FEW_RUN:
        said.append(
            f"Only {len(found.run.values)} canals have all their times: too few for the runs of a "
            "run chart to mean much."
        )
    if found.canals and not len(found.run.values):
        said.append("No canal has all its times logged, so there is no chart of times.")
    if not any(curve.failed_count for curve in found.survival):
        said.append(
            "No single instrument is recorded as deformed or separated, so there is no curve of "
            "survival; that is no proof that none was."
        )
    if not any(group.healed_strict for group in found.outcomes):
        said.append("No outcome is recorded at a recall after a visit.")
    return said


def percent_range(share: Share | None) -> str:
    """Return a share with its interval, in percent."""
    if share is None:
        return ""
    return f"{100 * share.share:.0f} ({100 * share.low:.0f} to {100 * share.high:.0f})"


def tables_zip(found: PracticeStatistics, *, with_cases: bool) -> bytes:
    """Return the tables as CSV files in one archive.

    Parameters
    ----------
    found : PracticeStatistics
    with_cases : bool
        Whether the table of single canals is in it, which names cases.
    """
    from canalwright.exchange.records import plain
    from canalwright.records.case_folder import csv_text

    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, rows in found.tables().items():
            if rows and (with_cases or name != "canals"):
                archive.writestr(f"{name}.csv", csv_text(list(rows[0]), _plain(rows, plain)))
    return content.getvalue()


def _plain(rows: list[dict[str, Any]], plain: Any) -> list[Any]:
    return [plain(row) for row in rows]
