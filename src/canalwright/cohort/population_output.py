"""What a study of virtual canals is written as: tables, document, page, PDF and figures."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import numpy as np

from canalwright.cautions import Caution
from canalwright.cohort.comparison import (
    Difference,
    Distribution,
    column,
    differences,
    distributions,
)
from canalwright.cohort.evaluation_output import shown
from canalwright.cohort.libraries import needed
from canalwright.cohort.study import MEASURES, PURPOSE, TRAITS, Study, StudyRun
from canalwright.exchange.cohorts import population_document
from canalwright.exchange.document import document_text
from canalwright.exchange.files import StagedFiles
from canalwright.reports.cohort_figures import distributions_figure, traits_figure
from canalwright.reports.cohort_report import CohortFigure, CohortReport, cohort_page, cohort_pdf
from canalwright.reports.style import figure_svg
from canalwright.reports.tables import TextTable

__all__ = ["POPULATION_CAUTIONS", "compared_tables", "population_report", "write_population"]

CSV_ROWS: Final = 300_000
"""Above this there is no CSV beside the Parquet file."""

POPULATION_CAUTIONS: Final = (
    Caution(
        "VIRTUAL_CANALS",
        "These canals are drawn from published means, spreads and shares, with assumptions where "
        "nothing is published; they are no measured canals, and quantities are drawn without the "
        "links between them that real teeth have.",
        "project rule",
    ),
    Caution(
        "PROTOCOLS_RANKED",
        "Torque, wear and strength rest on assumed values: differences between protocols on the "
        "same canals say more than the values themselves, and no probability here is a rate of "
        "clinical events.",
        "project rule",
    ),
    Caution(
        "SEPARATION_OF_ENGINE_FILES",
        "Separation counts engine-driven instruments alone, without a torque limit of the motor; "
        "fatigue counts only where a test point was given.",
        "project rule",
    ),
)


def write_population(
    study: Study, run: StudyRun, folder: Path, inputs: Mapping[str, Any]
) -> list[Path]:
    """Write everything into a folder: all of it or nothing; return the files.

    ``canals.parquet`` (a row for every canal and protocol), ``canals.csv`` where it is not too
    long, ``distributions.csv``, ``differences.csv``, ``population.json``, ``report.html``,
    ``report.pdf``, ``distributions.svg`` and ``population.svg``.
    """
    names = [name for name, _ in study.protocols]
    spread, change = distributions(run.parts, names), differences(run.parts, names)
    report = population_report(study, run, spread, change)
    document = _document(study, run, spread, change, inputs)
    content = {
        "distributions.csv": _csv(spread),
        "differences.csv": _csv(change),
        "population.json": document_text(document).encode("utf-8"),
        "report.html": cohort_page(report).encode("utf-8"),
        "report.pdf": cohort_pdf(report)[0],
        "population.svg": figure_svg(report.figures[0].figure),
        "distributions.svg": figure_svg(report.figures[1].figure),
    }
    with StagedFiles() as staged:
        _join(run.parts, staged, folder, study)
        for name, data in content.items():
            staged.path_for(folder / name).write_bytes(data)
    return [folder / "canals.parquet", *(folder / name for name in content)]


def _join(parts: tuple[Path, ...], staged: StagedFiles, folder: Path, study: Study) -> None:
    """Join parts one by one: memory never holds more than one."""
    parquet = needed("pyarrow.parquet", PURPOSE)
    csv = needed("pyarrow.csv", PURPOSE)
    whole, text = None, None
    wanted = study.count * len(study.protocols) <= CSV_ROWS
    target, plain = staged.path_for(folder / "canals.parquet"), folder / "canals.csv"
    for part in parts:
        rows = parquet.read_table(part)
        if whole is None:
            whole = parquet.ParquetWriter(target, rows.schema, compression="zstd")
            text = csv.CSVWriter(staged.path_for(plain), rows.schema) if wanted else None
        whole.write_table(rows)
        if text is not None:
            text.write_table(rows)
    for writer in (whole, text):
        if writer is not None:
            writer.close()


def _csv(rows: tuple[Any, ...]) -> bytes:
    pandas = needed("pandas", PURPOSE)
    records = [_flat(asdict(one)) for one in rows]
    sink = io.StringIO()
    pandas.DataFrame.from_records(records).to_csv(sink, index=False, lineterminator="\n")
    return sink.getvalue().encode("utf-8")


def _flat(record: dict[str, Any]) -> dict[str, Any]:
    shares = record.pop("percentiles", ())
    named = zip(("p5", "p25", "p50", "p75", "p95"), shares, strict=False)
    return {**record, **dict(named)}


def _document(
    study: Study,
    run: StudyRun,
    spread: tuple[Distribution, ...],
    change: tuple[Difference, ...],
    inputs: Mapping[str, Any],
) -> Any:
    return population_document(
        population=study.population.name,
        quantities=[asdict(one) for one in study.population.quantities],
        canals=study.count,
        seed=study.seed,
        failed_canals=_failed(study, run),
        protocols={
            name: [f"{p.instrument.id}@{p.tip_level_mm:g}" for p in passes]
            for name, passes in study.protocols
        },
        distributions=[asdict(one) for one in spread],
        differences=[asdict(one) for one in change],
        inputs=inputs,
        cautions=POPULATION_CAUTIONS,
    )


def _failed(study: Study, run: StudyRun) -> int:
    """Return how many canals no protocol could be carried out on."""
    reasons = column(run.parts, "reason")
    return int(np.sum(reasons != "")) // len(study.protocols)


def population_report(
    study: Study,
    run: StudyRun,
    spread: tuple[Distribution, ...],
    change: tuple[Difference, ...],
) -> CohortReport:
    """Return the report on a study."""
    population = study.population
    traits = {name: _first(study, run, name) for name in TRAITS}
    known = [m for m in MEASURES if any(d.measure == m and d.count for d in spread)]
    values = {measure: _by_protocol(study, run, measure) for measure in known}
    return CohortReport(
        title=f"Protocols over virtual canals: {population.title}",
        sentences=_sentences(study, run),
        tables=(
            *compared_tables(spread, change),
            _quantities_table(study),
        ),
        figures=(
            CohortFigure(
                traits_figure(traits, TRAITS),
                "How the canals that were drawn are spread; the table of quantities states from "
                "what.",
            ),
            CohortFigure(
                distributions_figure(values, MEASURES),
                "Share of canals up to every value, by protocol. The first table states "
                "percentiles.",
            ),
        ),
        cautions=tuple(one.text for one in POPULATION_CAUTIONS),
        sources=tuple(one.source for one in population.quantities if one.source),
        origin={
            "population": population.name,
            "canals": str(study.count),
            "seed": str(study.seed),
            "resolution": f"{study.resolution.nodes} nodes, {study.resolution.depths} depths",
            "key": study.key[:12],
        },
        invented=True,
    )


def _sentences(study: Study, run: StudyRun) -> tuple[str, ...]:
    first = study.protocols[0][0]
    lines = [
        f"{name}: "
        + ", ".join(
            p.instrument.id + (f" to {p.tip_level_mm:g} mm" if p.tip_level_mm else "")
            for p in passes
        )
        + "."
        for name, passes in study.protocols
    ]
    failed = _failed(study, run)
    end = f" {failed} canals could not be shaped and are left out." if failed else ""
    return (
        f"{study.count} virtual canals, every protocol on every canal with the same random "
        f"numbers; differences are against {first!r}.{end}",
        *lines,
    )


def _first(study: Study, run: StudyRun, name: str) -> Any:
    values = np.asarray(column(run.parts, name), float)[:: len(study.protocols)]
    return values[np.isfinite(values)]


def _by_protocol(study: Study, run: StudyRun, measure: str) -> dict[str, Any]:
    values = np.asarray(column(run.parts, measure), float).reshape(-1, len(study.protocols))
    return {name: values[:, k] for k, (name, _) in enumerate(study.protocols)}


def compared_tables(
    spread: tuple[Distribution, ...], change: tuple[Difference, ...]
) -> tuple[TextTable, ...]:
    """Return distributions and differences as tables of text."""
    found = (_spread_table(spread), _change_table(change))
    return tuple(table for table in found if table.rows)


def _spread_table(spread: tuple[Distribution, ...]) -> TextTable:
    heads = ("measure", "protocol", "mean", "95 % limits", "5 %", "median", "95 %")
    kinds = ("text", "left", *("right",) * 5)
    rows = tuple(
        (
            MEASURES[one.measure],
            one.protocol,
            shown(one.mean),
            f"{shown(one.mean_low)} to {shown(one.mean_high)}",
            *(shown(one.percentiles[k]) for k in (0, 2, 4)),
        )
        for one in spread
        if one.count
    )
    return TextTable("Protocols", tuple(zip(heads, kinds, strict=True)), rows)


def _change_table(change: tuple[Difference, ...]) -> TextTable:
    heads = ("measure", "protocol", "mean difference", "95 % limits", "lower in % of canals")
    kinds = ("text", "left", *("right",) * 3)
    rows = tuple(
        (
            MEASURES[one.measure],
            f"{one.protocol} – {one.against}",
            shown(one.mean),
            f"{shown(one.low)} to {shown(one.high)}",
            f"{100.0 * one.share_lower:.0f}",
        )
        for one in change
        if one.count
    )
    return TextTable("Differences canal by canal", tuple(zip(heads, kinds, strict=True)), rows)


def _quantities_table(study: Study) -> TextTable:
    columns = (("quantity", "text"), ("values", "left"), ("meaning", "text"), ("origin", "text"))
    rows = tuple(
        (
            one.name.replace("_", " "),
            ", ".join(f"{value:g}" for value in one.values),
            one.meaning + (f" ({one.unit})" if one.unit else ""),
            "; ".join(filter(None, (str(one.evidence), one.source, one.note))),
        )
        for one in study.population.quantities
    )
    return TextTable("What is drawn", columns, rows)
