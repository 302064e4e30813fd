"""What an evaluated cohort is written as: tables, document, page, PDF and figures."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from canalwright.cautions import Caution, merged
from canalwright.cohort.evaluating import CohortResult
from canalwright.cohort.group_statistics import (
    Contrast,
    GroupSummary,
    ModelTerm,
    contrasts,
    model_terms,
    summaries,
)
from canalwright.cohort.libraries import needed
from canalwright.cohort.measures import OUTCOMES
from canalwright.exchange.cohorts import cohort_document
from canalwright.exchange.document import caution_records, document_text
from canalwright.exchange.files import StagedFiles
from canalwright.reports.cohort_figures import groups_figure
from canalwright.reports.cohort_report import CohortFigure, CohortReport, cohort_page, cohort_pdf
from canalwright.reports.style import figure_svg
from canalwright.reports.tables import TextTable

__all__ = [
    "GroupStatistics",
    "cohort_cautions",
    "cohort_report",
    "frame_of",
    "group_statistics",
    "write_cohort",
]

PURPOSE: Final = "Writing the tables of a cohort"
SHOWN: Final = (
    "removed_mm3",
    "volume_growth_percent",
    "untouched_percent",
    "transportation_mean_mm",
    "transportation_apical_mm",
    "centering_ratio_mean",
    "straightening_deg",
    "dentin_left_min_mm",
    "length_mm",
    "volume_mm3",
    "diameter_1_mm",
    "diameter_3_mm",
    "dentin_min_mm",
    "schneider_deg",
)
"""Measures that groups are compared in; tables hold all."""

STATISTICS_CAUTION: Final = Caution(
    "SEVERAL_COMPARISONS",
    "Groups are compared in several measures: p values after Holm count all of them, effect sizes "
    "with their limits say more. Limits hold for the specimens as drawn, not for the error of "
    "each measurement, which the evaluation of each row states.",
    "project rule",
)


@dataclass(frozen=True, eq=False)
class GroupStatistics:
    """Groups compared."""

    groups: tuple[GroupSummary, ...]
    contrasts: tuple[Contrast, ...]
    models: tuple[ModelTerm, ...]


def frame_of(result: CohortResult) -> Any:
    """Return all rows as a data frame; covariates that are numbers throughout as numbers."""
    pandas = needed("pandas", PURPOSE)
    frame = pandas.DataFrame.from_records(result.records())
    for name in result.table.covariates:
        numbers = pandas.to_numeric(frame[name], errors="coerce")
        if numbers[frame[name] != ""].notna().all():
            frame[name] = numbers
    return frame


def group_statistics(result: CohortResult) -> GroupStatistics:
    """Compare the groups of a cohort in the usual measures.

    Raises
    ------
    MissingExtra
        If an optional library is not installed.
    """
    frame = frame_of(result)
    measures = [name for name in SHOWN if name in frame.columns]
    done = frame[frame["status"] == "done"]
    return GroupStatistics(
        summaries(done, measures),
        contrasts(done, measures),
        model_terms(done, measures, result.table.covariates),
    )


def write_cohort(result: CohortResult, folder: Path, inputs: Mapping[str, Any]) -> list[Path]:
    """Write everything into a folder: all of it or nothing; return the files.

    ``results.csv``, ``results.parquet``, ``contrasts.csv``, ``models.csv``, ``failed.csv``,
    ``cohort.json``, ``report.html``, ``report.pdf`` and ``groups.svg``.
    """
    frame, found = frame_of(result), group_statistics(result)
    report = cohort_report(result, found)
    pandas = needed("pandas", PURPOSE)
    failed = frame[frame["status"] == "failed"][["id", "reason"]]
    content: dict[str, bytes] = {
        "results.csv": _csv(frame),
        "results.parquet": _parquet(frame),
        "failed.csv": _csv(failed),
        "groups.csv": _csv(pandas.DataFrame([asdict(one) for one in found.groups])),
        "contrasts.csv": _csv(pandas.DataFrame([asdict(one) for one in found.contrasts])),
        "models.csv": _csv(pandas.DataFrame([asdict(one) for one in found.models])),
        "cohort.json": document_text(_document(result, found, inputs)).encode("utf-8"),
        "report.html": cohort_page(report).encode("utf-8"),
        "report.pdf": cohort_pdf(report)[0],
        **{f"groups-{k}.svg": figure_svg(f.figure) for k, f in enumerate(report.figures, 1)},
    }
    with StagedFiles() as staged:
        for name, data in content.items():
            staged.path_for(folder / name).write_bytes(data)
    return [folder / name for name in content]


def _csv(frame: Any) -> bytes:
    text: str = frame.to_csv(index=False, lineterminator="\n")
    return text.encode("utf-8")


def _parquet(frame: Any) -> bytes:
    needed("pyarrow", PURPOSE)
    sink = io.BytesIO()
    frame.to_parquet(sink, index=False, compression="zstd")
    return sink.getvalue()


def _document(result: CohortResult, found: GroupStatistics, inputs: Mapping[str, Any]) -> Any:
    return cohort_document(
        result.records(),
        result.outcomes,
        [asdict(one) for one in found.groups],
        [asdict(one) for one in found.contrasts],
        [asdict(one) for one in found.models],
        inputs=inputs,
        cautions=caution_records(cohort_cautions(result)),
        invented=any(row.invented for row in result.rows),
    )


def cohort_report(result: CohortResult, found: GroupStatistics) -> CohortReport:
    """Return the report on an evaluated cohort."""
    figure = _figure(result)
    return CohortReport(
        title="A cohort of canals",
        sentences=_sentences(result),
        tables=tuple(
            table
            for table in (
                _failed_table(result),
                _groups_table(found),
                _contrasts_table(found),
                _models_table(found),
            )
            if table.rows
        ),
        figures=() if figure is None else (figure,),
        cautions=(STATISTICS_CAUTION.text, *_cautions(result)),
        origin={"table": result.table.path, "seed": str(result.seed)},
        invented=any(row.invented for row in result.rows),
    )


def _sentences(result: CohortResult) -> tuple[str, ...]:
    failed, total = len(result.failed), len(result.rows)
    said = [f"{total - failed} of {total} specimens were evaluated."]
    if failed:
        said.append(f"{failed} could not be: see the first table. They are in no figure below.")
    if result.table.groups:
        said.append(f"Groups: {', '.join(result.table.groups)}.")
    if result.table.paired:
        said.append(
            "Some specimens belong together; models have a random intercept for each pair. The "
            "contrasts between groups take specimens as independent."
        )
    return tuple(said)


def cohort_cautions(result: CohortResult) -> tuple[Caution, ...]:
    """Return what all rows carry, each once, after what holds for the comparison."""
    carried = (
        Caution(c["code"], c["text"], c.get("source", ""))
        for row in result.rows
        for c in row.cautions
    )
    return merged((STATISTICS_CAUTION,), carried)


def _cautions(result: CohortResult) -> tuple[str, ...]:
    """Return each caution once, with how many rows carry it; those all have stand last."""
    rows = [{c["text"] for c in row.cautions} for row in result.rows if row.status == "done"]
    texts = dict.fromkeys(c["text"] for row in result.rows for c in row.cautions)
    counted = {text: sum(text in one for one in rows) for text in texts}
    return tuple(
        f"({count} of {len(rows)}) {text}" if count < len(rows) else text
        for text, count in sorted(counted.items(), key=lambda item: -item[1])
    )


def _failed_table(result: CohortResult) -> TextTable:
    rows = tuple((row.id, row.reason) for row in result.failed)
    return TextTable("Not evaluated", (("specimen", "left"), ("reason", "text")), rows)


def _groups_table(found: GroupStatistics) -> TextTable:
    columns = ("measure", "group", "n", "mean", "SD", "median", "quartiles")
    kinds = ("text", "left", *("right",) * 5)
    rows = tuple(
        (
            OUTCOMES.get(one.measure, one.measure),
            one.group,
            str(one.count),
            shown(one.mean),
            shown(one.sd),
            shown(one.median),
            f"{shown(one.low)} to {shown(one.high)}",
        )
        for one in found.groups
    )
    return TextTable("Groups", tuple(zip(columns, kinds, strict=True)), rows)


def _contrasts_table(found: GroupStatistics) -> TextTable:
    columns = ("measure", "groups", "difference", "95 % limits", "Hedges' g", "95 % limits",
               "p (Holm)", "p (ranks)")  # fmt: skip
    kinds = ("text", "left", *("right",) * 6)
    rows = tuple(
        (
            OUTCOMES.get(one.measure, one.measure),
            f"{one.first} – {one.second}",
            shown(one.difference),
            f"{shown(one.low)} to {shown(one.high)}",
            shown(one.effect),
            f"{shown(one.effect_low)} to {shown(one.effect_high)}",
            shown_p(one.p_adjusted),
            shown_p(one.p_rank),
        )
        for one in found.contrasts
    )
    return TextTable("Groups against each other", tuple(zip(columns, kinds, strict=True)), rows)


def _models_table(found: GroupStatistics) -> TextTable:
    columns = ("measure", "model", "term", "value", "95 % limits", "p", "note")
    kinds = ("text", "left", "text", *("right",) * 3, "text")
    rows = tuple(
        (
            OUTCOMES.get(one.measure, one.measure),
            one.model,
            term_in_words(one.term),
            shown(one.value),
            f"{shown(one.low)} to {shown(one.high)}",
            shown_p(one.p),
            one.note,
        )
        for one in found.models
    )
    return TextTable("Models", tuple(zip(columns, kinds, strict=True)), rows)


def term_in_words(term: str) -> str:
    """Return a term of a formula as people read it: ``group: B against the first``."""
    plain = term.replace("C(Q('", "").replace("Q('", "").replace("'))", "").replace("')", "")
    return plain.replace("[T.", ": ").replace("]", "")


def shown(value: float) -> str:
    """Return a number with three significant digits."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return text.replace("-", "−")


def shown_p(value: float) -> str:
    """Return a p value as it is printed."""
    if not math.isfinite(value):
        return "–"
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def _figure(result: CohortResult) -> CohortFigure | None:
    frame = frame_of(result)
    known = frame[frame["status"] == "done"]
    measures = [name for name in SHOWN if name in frame.columns and known[name].notna().any()]
    groups = result.table.groups or ("",)
    if not measures:
        return None
    values = {
        name: {g or "all": known[known["group"] == g][name].to_numpy(float) for g in groups}
        for name in measures[:9]
    }
    return CohortFigure(
        groups_figure(values, OUTCOMES),
        "Every specimen by group, with the mean and its 95 % limits beside it. The tables state "
        "the values.",
    )
