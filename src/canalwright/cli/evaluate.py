"""``canalwright evaluate``: a canal before and after preparation."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.options import FiguresFolder, JsonFile, Series, Spacing
from canalwright.cli.output import (
    announce,
    invented_notice,
    print_cautions,
    print_table,
    print_text,
    progress_bar,
    text_table,
)
from canalwright.cli.reading import read_clicked_canals, read_numbers, read_spacing_mm
from canalwright.cli.writing import check_targets
from canalwright.errors import UsageError

if TYPE_CHECKING:
    from canalwright.shaping.evaluation_types import Evaluation
    from canalwright.shaping.expected import ExpectedComparison

__all__ = ["evaluate"]


@dataclass(frozen=True, eq=False)
class _Result:
    found: Evaluation
    inputs: dict[str, Any]
    files: dict[str, str]


def evaluate(
    before: Annotated[
        Path, typer.Argument(metavar="BEFORE", help="A scan, or a canals@1 document.")
    ],
    after: Annotated[
        Path, typer.Argument(metavar="AFTER", help="The same tooth later: of the same kind.")
    ],
    canal: Annotated[
        str | None,
        typer.Option(
            metavar="NAME[=X,Y,Z:X,Y,Z]",
            help="In scans: the canal's orifice and terminus in the scan before, in mm. In canal "
            "documents: its name, if there are several.",
        ),
    ] = None,
    align: Annotated[
        bool,
        typer.Option(
            "--align",
            help="Canal documents: lay the root surfaces on each other first. Scans always are.",
        ),
    ] = False,
    furcation: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y,Z",
            help="A point at the furcation, in the frame before: transportation then counts away "
            "from it and toward it.",
        ),
    ] = None,
    tolerance_mm: Annotated[
        float | None,
        typer.Option(
            metavar="MM", help="Up to here wall counts as untouched; one voxel by default."
        ),
    ] = None,
    intended_level_mm: Annotated[
        float,
        typer.Option(metavar="MM", help="Level at which the preparation was to begin."),
    ] = 0.0,
    expected: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="What 'simulate' or 'plan' wrote for this canal: compare with it."
        ),
    ] = None,
    spacing: Spacing = None,
    series: Series = None,
    series_after: Annotated[
        str | None,
        typer.Option(metavar="UID", help="The series of the scan after, if it is another."),
    ] = None,
    seed: Annotated[
        int, typer.Option(metavar="N", help="Of the draws behind standard deviations.")
    ] = 0,
    pdf: Annotated[str | None, typer.Option(metavar="FILE", help="Write a report as PDF.")] = None,
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Compare a canal before and after preparation: volumes, untouched wall, transportation."""
    check_targets(json, pdf, inputs=(before, after), folder=figures)
    options = {
        "tolerance_mm": tolerance_mm,
        "furcation_mm": _point(furcation),
        "intended_level_mm": intended_level_mm,
        "seed": seed,
    }
    if _is_document(before) != _is_document(after):
        raise UsageError("Give two scans or two canal documents (.json), not one of each.")
    if _is_document(before):
        result = _from_documents(before, after, canal, align, options)
    else:
        steps = read_spacing_mm(spacing)
        uids = (series, series_after or series)
        result = _from_scans(before, after, canal, steps, uids, options)
    compared = _compared(result, expected)
    _write(result, compared, json, pdf, figures)
    if json != "-":
        _print(result.found, compared)
    invented_notice(_invented(result.found))
    print_cautions(result.found.cautions + (compared.cautions if compared else ()))


def _is_document(path: Path) -> bool:
    return path.suffix.lower() == ".json"


def _point(text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    return read_numbers(text, name="--furcation", count=3, example="12.1,-8.0,30.5")


def _invented(found: Evaluation) -> bool:
    pair = found.pair
    return pair.before.provenance.invented or pair.after.provenance.invented


def _from_documents(
    before: Path, after: Path, name: str | None, align: bool, options: dict[str, Any]
) -> _Result:
    from canalwright.cli.canals import choose_canal
    from canalwright.exchange.inputs import document_input, file_digest
    from canalwright.shaping.evaluation import evaluate_pair
    from canalwright.shaping.evaluation_scans import aligned_by_surfaces

    first = choose_canal(before, name)
    second = choose_canal(after, name or first.canal.name)
    with progress_bar("Comparing") as progress:
        alignment = aligned_by_surfaces(first.canal, second.canal) if align else None
        progress(0.5)
        found = evaluate_pair(
            first.canal,
            second.canal,
            alignment=alignment,
            oriented=_oriented(first.document.inputs),
            **options,
        )
    inputs = {
        "before": document_input(before, first.document),
        "after": document_input(after, second.document),
        "options": {"align": align, **_plain(options)},
    }
    files = {str(path): file_digest(path) for path in (before, after)}
    return _Result(found, inputs, files)


def _oriented(inputs: dict[str, Any]) -> bool:
    scan = inputs.get("scan")
    return isinstance(scan, dict) and scan.get("oriented") is True


def _from_scans(
    before: Path,
    after: Path,
    canal: str | None,
    steps: Any,
    series: tuple[str | None, str | None],
    options: dict[str, Any],
) -> _Result:
    from canalwright.cli.measure import read
    from canalwright.exchange.inputs import scan_input
    from canalwright.shaping.evaluation_scans import evaluate_scans

    if canal is None or "=" not in canal:
        raise UsageError("Point the canal out in the scan before: --canal NAME=x,y,z:x,y,z")
    (clicked,) = read_clicked_canals([canal])
    first, second = read(before, steps, series[0]), read(after, steps, series[1])
    with progress_bar(f"Evaluating {clicked.name}") as progress:
        found = evaluate_scans(
            first,
            second,
            clicked.name,
            clicked.orifice_mm,
            clicked.terminus_mm,
            progress=lambda _step, share: progress(share),
            **options,
        )
    points = {"orifice_mm": [*clicked.orifice_mm], "terminus_mm": [*clicked.terminus_mm]}
    inputs = {
        "before": scan_input(first),
        "after": scan_input(second),
        "points": {clicked.name: points},
        "options": _plain(options),
    }
    files = {str(before): first.digest, str(after): second.digest}
    return _Result(found, inputs, files)


def _plain(options: dict[str, Any]) -> dict[str, Any]:
    return {k: [*v] if isinstance(v, tuple) else v for k, v in options.items()}


def _compared(result: _Result, expected: Path | None) -> ExpectedComparison | None:
    if expected is None:
        return None
    from canalwright.exchange.expected_in import read_expected
    from canalwright.exchange.inputs import document_input, file_digest
    from canalwright.shaping.expected import against_expected

    shape, document = read_expected(expected, result.found.pair.before.name)
    result.inputs["expected"] = document_input(expected, document)
    result.files[str(expected)] = file_digest(expected)
    return against_expected(result.found, shape)


def _write(
    result: _Result,
    compared: ExpectedComparison | None,
    json: str | None,
    pdf: str | None,
    figures: Path | None,
) -> None:
    from canalwright.exchange.document import document_text
    from canalwright.exchange.evaluations import evaluation_document
    from canalwright.exchange.files import StagedFiles

    document = evaluation_document(result.found, result.inputs, compared)
    with StagedFiles() as staged:
        if pdf is not None:
            with progress_bar("Writing the report"):
                staged.path_for(Path(pdf)).write_bytes(_report(result, compared))
        if figures is not None:
            with progress_bar("Drawing figures"):
                _stage_figures(staged, result.found, compared, figures)
        if json is not None:
            staged.write_text(json, document_text(document))
    for target in (json, pdf, figures):
        if target not in (None, "-"):
            announce(f"wrote {target}")


def _report(result: _Result, compared: ExpectedComparison | None) -> bytes:
    from canalwright.reports.evaluation_report import EvaluationReport, evaluation_report_pages

    report = EvaluationReport(result.found, compared, result.files)
    return evaluation_report_pages(report)[0]


def _stage_figures(
    staged: Any, found: Evaluation, compared: ExpectedComparison | None, folder: Path
) -> None:
    from canalwright.cli.pictures import stage_figure
    from canalwright.reports.evaluation_figures import (
        evaluation_figure,
        expected_figure,
        outlines_figure,
    )

    name = found.pair.before.name
    stage_figure(staged, evaluation_figure(found), folder, f"evaluated-{name}")
    stage_figure(staged, outlines_figure(found), folder, f"outlines-{name}")
    if compared is not None:
        stage_figure(staged, expected_figure(compared), folder, f"expected-{name}")


def _print(found: Evaluation, compared: ExpectedComparison | None) -> None:
    from canalwright.reports import evaluation_tables as tables

    for made in (tables.summary_table, tables.sides_table, tables.thirds_table):
        print_table(text_table(made(found)))
    if compared is not None:
        print_table(text_table(tables.expected_table(compared)))
    for sentence in tables.evaluation_sentences(found):
        print_text(sentence)
