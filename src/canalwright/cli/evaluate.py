"""``canalwright evaluate``: canals before and after preparation."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.options import FiguresFolder, JsonFile, Series, Spacing
from canalwright.cli.output import (
    announce,
    invented_notice,
    labelled,
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
    from canalwright.cli.canals import ChosenCanal
    from canalwright.shaping.evaluation_types import Evaluation
    from canalwright.shaping.expected import EvaluatedCanal, ExpectedShape

__all__ = ["evaluate"]


@dataclass(frozen=True, eq=False)
class _Result:
    found: tuple[Evaluation, ...]
    inputs: dict[str, Any]
    files: dict[str, str] = field(default_factory=dict)


def evaluate(
    before: Annotated[
        Path, typer.Argument(metavar="BEFORE", help="A scan, or a canals@1 document.")
    ],
    after: Annotated[
        Path, typer.Argument(metavar="AFTER", help="The same tooth later: of the same kind.")
    ],
    canal: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME[=X,Y,Z:X,Y,Z]",
            help="In scans: the canal's orifice and terminus in the scan before, in mm. In canal "
            "documents: its name; else all that both hold. Once for every canal.",
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
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="What 'simulate' or 'plan' wrote for a canal: compare with it. Once for a canal.",
        ),
    ] = None,
    spacing: Spacing = None,
    series: Series = None,
    series_after: Annotated[
        str | None,
        typer.Option(metavar="UID", help="The series of the scan after, if it is another."),
    ] = None,
    seed: Annotated[
        int, typer.Option(metavar="N", min=0, help="Of the draws behind standard deviations.")
    ] = 0,
    pdf: Annotated[str | None, typer.Option(metavar="FILE", help="Write a report as PDF.")] = None,
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Compare canals before and after preparation: volumes, untouched wall, transportation."""
    listed = tuple(expected or ())
    check_targets(json, pdf, inputs=(before, after, *listed), folder=figures)
    options = {
        "tolerance_mm": tolerance_mm,
        "furcation_mm": _point(furcation),
        "intended_level_mm": intended_level_mm,
        "seed": seed,
    }
    if _is_document(before) != _is_document(after):
        raise UsageError("Give two scans or two canal documents (.json), not one of each.")
    if _is_document(before):
        result = _from_documents(before, after, tuple(canal or ()), align, options)
    else:
        steps = read_spacing_mm(spacing)
        uids = (series, series_after or series)
        result = _from_scans(before, after, canal or [], steps, uids, options)
    canals = _compared(result, listed)
    _write(canals, result, json, pdf, figures)
    if json != "-":
        _print(canals)
    invented_notice(any(one.invented for one in canals))
    print_cautions(labelled({one.name: one.cautions for one in canals}))


def _is_document(path: Path) -> bool:
    return path.suffix.lower() == ".json"


def _point(text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    return read_numbers(text, name="--furcation", count=3, example="12.1,-8.0,30.5")


def _from_documents(
    before: Path, after: Path, names: tuple[str, ...], align: bool, options: dict[str, Any]
) -> _Result:
    from canalwright.exchange.inputs import document_input, file_digest
    from canalwright.shaping.evaluation import evaluate_pair
    from canalwright.shaping.evaluation_scans import aligned_by_surfaces

    first, second, left = _chosen(before, after, names)
    canals = [one.canal for one in first], [one.canal for one in second]
    found: list[Evaluation] = []
    with progress_bar("Comparing") as progress:
        alignment = aligned_by_surfaces(*canals) if align else None
        for one, other in zip(*canals, strict=True):
            progress(0.5 + 0.5 * len(found) / len(first))
            found.append(
                evaluate_pair(
                    one,
                    other,
                    alignment=alignment,
                    oriented=_oriented(first[0].document.inputs),
                    **options,
                )
            )
    inputs: dict[str, Any] = {
        "before": document_input(before, first[0].document),
        "after": document_input(after, second[0].document),
        "options": {"align": align, **_plain(options)},
    }
    if left:
        inputs["not_evaluated"] = left
        announce(f"only in one of the two documents, not evaluated: {', '.join(left)}")
    files = {str(path): file_digest(path) for path in (before, after)}
    return _Result(tuple(found), inputs, files)


def _chosen(
    before: Path, after: Path, names: tuple[str, ...]
) -> tuple[list[ChosenCanal], list[ChosenCanal], list[str]]:
    """Pick the named canals of both documents, or those that both hold; and name the others."""
    from canalwright.cli.canals import choose_canals
    from canalwright.errors import UnknownName

    held = choose_canals(before, names), choose_canals(after, names)
    known = {one.canal.name: one for one in held[0]}, {one.canal.name: one for one in held[1]}
    both = [name for name in known[0] if name in known[1]]
    if not both:
        raise UnknownName(kind=f"canal in {after}", got=next(iter(known[0])), known=tuple(known[1]))
    left = [name for name in {**known[0], **known[1]} if name not in both]
    return [known[0][name] for name in both], [known[1][name] for name in both], left


def _oriented(inputs: dict[str, Any]) -> bool:
    scan = inputs.get("scan")
    return isinstance(scan, dict) and scan.get("oriented") is True


def _from_scans(
    before: Path,
    after: Path,
    named: list[str],
    steps: Any,
    series: tuple[str | None, str | None],
    options: dict[str, Any],
) -> _Result:
    from canalwright.cli.measure import read
    from canalwright.exchange.inputs import scan_input
    from canalwright.shaping.evaluation_scans import evaluate_canals

    if not named or not all("=" in text for text in named):
        raise UsageError("Point every canal out in the scan before: --canal NAME=x,y,z:x,y,z")
    clicked = read_clicked_canals(named)
    first, second = read(before, steps, series[0]), read(after, steps, series[1])
    with progress_bar(f"Evaluating {', '.join(one.name for one in clicked)}") as progress:
        found = evaluate_canals(
            first,
            second,
            {one.name: (one.orifice_mm, one.terminus_mm) for one in clicked},
            progress=lambda _step, share: progress(share),
            **options,
        )
    points = {
        one.name: {"orifice_mm": [*one.orifice_mm], "terminus_mm": [*one.terminus_mm]}
        for one in clicked
    }
    inputs = {
        "before": scan_input(first),
        "after": scan_input(second),
        "points": points,
        "options": _plain(options),
    }
    return _Result(found, inputs, {str(before): first.digest, str(after): second.digest})


def _plain(options: dict[str, Any]) -> dict[str, Any]:
    return {k: [*v] if isinstance(v, tuple) else v for k, v in options.items()}


def _compared(result: _Result, listed: tuple[Path, ...]) -> tuple[EvaluatedCanal, ...]:
    from canalwright.shaping.expected import EvaluatedCanal, against_expected

    shapes = _expected(result, listed)
    return tuple(
        EvaluatedCanal(
            found,
            against_expected(found, shapes[found.pair.before.name])
            if found.pair.before.name in shapes
            else None,
        )
        for found in result.found
    )


def _expected(result: _Result, listed: tuple[Path, ...]) -> dict[str, ExpectedShape]:
    from canalwright.exchange.expected_in import read_expected
    from canalwright.exchange.inputs import document_input, file_digest

    shapes: dict[str, ExpectedShape] = {}
    inputs = []
    for path in listed:
        name, shape, document = read_expected(path, *(f.pair.before.name for f in result.found))
        if name in shapes:
            raise UsageError(
                f"Canal {name!r} is expected in {shapes[name].source} and in {path}; give one."
            )
        shapes[name] = shape
        inputs.append(document_input(path, document))
        result.files[str(path)] = file_digest(path)
    if inputs:
        result.inputs["expected"] = inputs[0] if len(inputs) == 1 else inputs
    return shapes


def _write(
    canals: tuple[EvaluatedCanal, ...],
    result: _Result,
    json: str | None,
    pdf: str | None,
    figures: Path | None,
) -> None:
    from canalwright.exchange.document import document_text
    from canalwright.exchange.evaluations import evaluations_document
    from canalwright.exchange.files import StagedFiles

    document = evaluations_document(canals, result.inputs)
    with StagedFiles() as staged:
        if pdf is not None:
            with progress_bar("Writing the report"):
                staged.path_for(Path(pdf)).write_bytes(_report(canals, result.files))
        if figures is not None:
            with progress_bar("Drawing figures"):
                for canal in canals:
                    _stage_figures(staged, canal, figures)
        if json is not None:
            staged.write_text(json, document_text(document))
    for target in (json, pdf, figures):
        if target not in (None, "-"):
            announce(f"wrote {target}")


def _report(canals: tuple[EvaluatedCanal, ...], files: dict[str, str]) -> bytes:
    from canalwright.reports.evaluation_report import EvaluationReport, evaluation_report_pages

    return evaluation_report_pages(EvaluationReport(canals, files))[0]


def _stage_figures(staged: Any, canal: EvaluatedCanal, folder: Path) -> None:
    from canalwright.cli.pictures import stage_figure
    from canalwright.reports.evaluation_figures import (
        evaluation_figure,
        expected_figure,
        outlines_figure,
    )

    stage_figure(staged, evaluation_figure(canal.found), folder, f"evaluated-{canal.name}")
    stage_figure(staged, outlines_figure(canal.found), folder, f"outlines-{canal.name}")
    if canal.expected is not None:
        stage_figure(staged, expected_figure(canal.expected), folder, f"expected-{canal.name}")


def _print(canals: tuple[EvaluatedCanal, ...]) -> None:
    from canalwright.reports import evaluation_tables as tables

    if len(canals) > 1:
        print_table(text_table(tables.overview_table(canals)))
    for canal in canals:
        for made in (tables.summary_table, tables.sides_table, tables.thirds_table):
            print_table(text_table(made(canal.found)))
        if canal.expected is not None:
            print_table(text_table(tables.expected_table(canal.expected)))
        for sentence in tables.evaluation_sentences(canal.found):
            print_text(sentence)
