"""``canalwright plan``: the sequence for one canal, with the reason for every step."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.bundles import taking
from canalwright.cli.canals import ChosenCanal, choose_canal
from canalwright.cli.goals import depths_of, given
from canalwright.cli.limit_options import LIMITS, LimitOptions
from canalwright.cli.opening import OPENING, Opening
from canalwright.cli.options import (
    CanalName,
    CanalsFile,
    FiguresFolder,
    JsonFile,
    Series,
    Spacing,
)
from canalwright.cli.output import announce, invented_notice, print_cautions, progress_bar
from canalwright.cli.plan_tables import plan_cautions, print_plan, print_uncertainty
from canalwright.cli.reading import read_instruments_at, read_spacing_mm, split_names
from canalwright.cli.trays import choose_tray
from canalwright.cli.writing import check_targets
from canalwright.errors import UsageError

if TYPE_CHECKING:
    from canalwright.exchange.plans import PlanDocument
    from canalwright.imaging.scan import Scan
    from canalwright.planning.types import Limits, PlanResult
    from canalwright.planning.uncertainty import PlanUncertainty

__all__ = ["plan"]


@dataclass(frozen=True, eq=False)
class _Made:
    """What came out, and what it came from."""

    chosen: ChosenCanal
    result: PlanResult
    image: Scan | None
    sampled: tuple[PlanUncertainty, ...]


@taking(opening=OPENING, bounds=LIMITS)
def plan(
    canals: CanalsFile,
    canal: CanalName = None,
    *,
    opening: Opening,
    depths_mm: Annotated[
        str | None,
        typer.Option(metavar="MM,…", help="Levels at which instruments may stop, 0 first."),
    ] = None,
    pin: Annotated[
        list[str] | None,
        typer.Option(metavar="ID", help="An instrument that must be used; may be repeated."),
    ] = None,
    ban: Annotated[
        list[str] | None,
        typer.Option(metavar="ID", help="An instrument that must not be; may be repeated."),
    ] = None,
    max_instruments: Annotated[
        int | None, typer.Option(metavar="N", help="Longest sequence wanted.")
    ] = None,
    done: Annotated[
        str | None,
        typer.Option(
            metavar="ID,ID@LEVEL,…",
            help="What was done already, to plan again from there; @LEVEL if it stopped short.",
        ),
    ] = None,
    block_level_mm: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Level of a ledge or block that nothing passes."),
    ] = None,
    discard: Annotated[
        list[str] | None,
        typer.Option(metavar="ID", help="An instrument that is used up; may be repeated."),
    ] = None,
    begin_with: Annotated[
        str | None,
        typer.Option(
            metavar="ID,ID@LEVEL,…", help="Steps that every sequence is to begin with, in order."
        ),
    ] = None,
    samples: Annotated[
        int | None,
        typer.Option(
            metavar="N", min=2, max=1 << 17, help="Sample the uncertainty of the plan so often."
        ),
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="Of the samples.")] = 0,
    confidence: Annotated[
        float | None,
        typer.Option(
            metavar="SHARE",
            help="Recommend the first plan that keeps every limit this surely, such as 0.9.",
        ),
    ] = None,
    bounds: LimitOptions,
    scan: Annotated[
        Path | None,
        typer.Option(metavar="SCAN", help="The scan, for the straightened image in figures."),
    ] = None,
    spacing: Spacing = None,
    series: Series = None,
    pdf: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write the report as a PDF.")
    ] = None,
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Find the sequences that reach the target within the limits, the best one first."""
    _check_pdf(pdf)
    check_targets(json, pdf, inputs=(canals,), folder=figures)
    chosen = choose_canal(canals, canal)
    wishes = {
        "pin": split_names(pin or []),
        "ban": split_names([*(ban or []), *(discard or [])]),
        **given(
            depths_mm=depths_of(depths_mm),
            max_instruments=max_instruments,
            block_level_mm=block_level_mm,
        ),
    }
    settings = {
        **opening.settings,
        "after": opening.passes(read_instruments_at(done, name="--done")),
    }
    further = {
        "begin_with": opening.passes(read_instruments_at(begin_with, name="--begin-with")),
        "used": bounds.used,
        **given(confidence=confidence, samples=samples),
        "seed": seed,
    }
    image = _read_scan(scan, spacing, series)
    result = _planned(chosen, opening, bounds.limits, {**wishes, **settings, **further})
    stock = opening.stock(bounds.used)
    sampled = _sampled(chosen, result, {**settings, "stock": stock}, samples, seed)
    wishes |= {**bounds.inputs(), **given(begin_with=begin_with, confidence=confidence)}
    made = _Made(chosen, result, image, sampled)
    _write(made, _document(made, opening, wishes), json, pdf, figures)
    if json != "-":
        print_plan(result)
        if sampled:
            print_uncertainty(sampled)
    invented_notice(chosen.canal.provenance.invented)
    more = sampled[0].cautions if sampled else ()
    print_cautions(chosen.canal.cautions + plan_cautions(result) + more)


def _check_pdf(pdf: str | None) -> None:
    """Refuse a PDF on standard output, where the table of the plan goes."""
    if pdf == "-":
        raise UsageError("--pdf needs a file name such as plan.pdf: a PDF is not written to '-'.")


def _read_scan(path: Path | None, spacing: str | None, series: str | None) -> Scan | None:
    if path is None:
        return None
    from canalwright.imaging.readers import read_scan

    with progress_bar("Reading the scan") as progress:
        return read_scan(
            path, spacing_mm=read_spacing_mm(spacing), series=series, progress=progress
        )


def _planned(
    chosen: ChosenCanal, opening: Opening, limits: Limits, wishes: dict[str, Any]
) -> PlanResult:
    from canalwright.planning import plan as planned

    instruments, target = choose_tray(opening.tray), opening.target
    with progress_bar("Searching sequences") as progress:
        return planned(chosen.canal, instruments, target, limits, progress=progress, **wishes)


def _sampled(
    chosen: ChosenCanal,
    result: PlanResult,
    settings: dict[str, Any],
    samples: int | None,
    seed: int,
) -> tuple[PlanUncertainty, ...]:
    from canalwright.planning.uncertainty import uncertainties_of

    if result.sampled or samples is None:
        return result.sampled
    with progress_bar("Sampling the uncertainty") as progress:
        return uncertainties_of(
            chosen.canal,
            result.plans,
            result.target,
            result.limits,
            samples=samples,
            seed=seed,
            progress=progress,
            **settings,
        )


def _document(made: _Made, opening: Opening, wishes: dict[str, Any]) -> PlanDocument:
    from canalwright.exchange.inputs import scan_input
    from canalwright.exchange.plans import plan_document

    options = {k: list(v) if isinstance(v, tuple) else v for k, v in wishes.items()}
    inputs = opening.inputs(made.chosen, options)
    if made.image is not None:
        inputs["scan"] = scan_input(made.image)
    return plan_document(
        made.chosen.canal,
        made.result,
        patency=opening.patency,
        inputs=inputs,
        uncertainty=made.sampled,
    )


def _write(
    made: _Made,
    document: PlanDocument,
    json: str | None,
    pdf: str | None,
    figures: Path | None,
) -> None:
    from canalwright.cli.pictures import PlanPictures
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles

    pictures = PlanPictures(made.chosen.canal, made.result, made.image, made.sampled)
    with StagedFiles() as staged:
        if pdf is not None:
            with progress_bar("Writing the report"):
                pictures.stage_report(staged, Path(pdf), _digests(made.chosen, made.image))
        if figures is not None:
            with progress_bar("Drawing figures"):
                pictures.stage_figures(staged, figures)
        if json is not None:
            staged.write_text(json, document_text(document))
    for target in (json, pdf, figures):
        if target not in (None, "-"):
            announce(f"wrote {target}")


def _digests(chosen: ChosenCanal, image: Scan | None) -> dict[str, str]:
    from canalwright.exchange.inputs import file_digest

    found = {chosen.path.name: file_digest(chosen.path)}
    return found if image is None else {**found, Path(image.source).name: image.digest}
