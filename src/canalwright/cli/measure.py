"""``canalwright measure``: canals in a scan, from two clicks each or proposed without."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.canal_tables import print_canals
from canalwright.cli.options import FiguresFolder, JsonFile, Series, Spacing
from canalwright.cli.output import (
    Progress,
    announce,
    invented_notice,
    labelled,
    print_cautions,
    progress_bar,
)
from canalwright.cli.proposals import (
    ProposeOptions,
    accepted,
    clicks_from,
    proposed,
    report_proposals,
)
from canalwright.cli.reading import ClickedCanal, read_clicked_canals, read_spacing_mm
from canalwright.cli.writing import check_targets
from canalwright.errors import UsageError

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.exchange.canals import CanalsDocument
    from canalwright.imaging.scan import Scan

__all__ = ["measure", "measured"]


def measure(
    scan: Annotated[
        Path,
        typer.Argument(metavar="SCAN", help="DICOM folder or file, NRRD or NIfTI file."),
    ],
    canal: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=X,Y,Z:X,Y,Z",
            help="A canal: its orifice, then its terminus, in mm (patient axes LPS; index × "
            "spacing for files without orientation). Once for every canal.",
        ),
    ] = None,
    propose: Annotated[
        bool,
        typer.Option(
            "--propose", help="Look for the canals of one tooth, and list them to be confirmed."
        ),
    ] = False,
    tooth_at: Annotated[
        str | None,
        typer.Option(metavar="X,Y,Z", help="A point in the tooth, in scans that show several."),
    ] = None,
    tooth_box: Annotated[
        str | None,
        typer.Option(metavar="X,Y,Z:X,Y,Z", help="Two opposite corners of a box round the tooth."),
    ] = None,
    minimum_confidence: Annotated[
        float | None,
        typer.Option(metavar="SHARE", help="Leave out proposals below this, 0 to 1 [0.5]."),
    ] = None,
    accept: Annotated[
        bool,
        typer.Option("--accept", help="Measure the proposals at once, without confirmation."),
    ] = False,
    spacing: Spacing = None,
    series: Series = None,
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Measure canals: centerline, diameters, dentin and curvature, each with its uncertainty."""
    options = ProposeOptions(propose, tooth_at, tooth_box, minimum_confidence, accept)
    options.require_fitting(canal or [])
    check_targets(json, folder=figures)
    clicked = read_clicked_canals(canal or [])
    if not clicked and not propose:
        raise UsageError(
            "Point out at least one canal: --canal NAME=x,y,z:x,y,z, or have canals proposed: "
            "--propose"
        )
    image = read(scan, read_spacing_mm(spacing), series)
    if propose:
        proposals = proposed(image, options)
        if not accept:
            report_proposals(image, proposals, options, json, figures)
            return
        clicked = clicks_from(proposals)
        canals = accepted(measured(image, clicked), proposals)
    else:
        canals = measured(image, clicked)
    document = document_of(image, canals, clicked)
    _write(image, canals, document, json, figures)
    if json != "-":
        print_canals(canals)
    invented_notice(image.invented)
    print_cautions(image.cautions + labelled({canal.name: canal.cautions for canal in canals}))


def read(
    path: Path, spacing_mm: tuple[float, float, float] | None, series: str | None = None
) -> Scan:
    """Read a scan with a progress bar."""
    from canalwright.imaging.readers import read_scan

    with progress_bar(f"Reading {path}") as progress:
        return read_scan(path, spacing_mm=spacing_mm, series=series, progress=progress)


def measured(image: Scan, clicked: tuple[ClickedCanal, ...]) -> tuple[Canal, ...]:
    """Measure every canal with a progress bar; points are checked before the first.

    The canals say what they share with each other.
    """
    from canalwright.imaging.joins import with_joins
    from canalwright.imaging.measure import measure_canal

    for click in clicked:
        image.require_inside(f"orifice of {click.name}", click.orifice_mm)
        image.require_inside(f"terminus of {click.name}", click.terminus_mm)
    canals = []
    for click in clicked:
        with progress_bar(f"Measuring {click.name}") as progress:
            canals.append(
                measure_canal(
                    image,
                    click.name,
                    click.orifice_mm,
                    click.terminus_mm,
                    progress=_share_only(progress),
                )
            )
    return with_joins(canals)


def _share_only(progress: Progress) -> Callable[[str, float], None]:
    return lambda _step, share: progress(share)


def document_of(
    image: Scan, canals: tuple[Canal, ...], clicked: tuple[ClickedCanal, ...]
) -> CanalsDocument:
    """Return the canals as a document that says what they were measured from."""
    from canalwright.exchange.canals_out import canals_document
    from canalwright.exchange.inputs import scan_input

    points = {
        click.name: {
            "orifice_mm": list(click.orifice_mm),
            "terminus_mm": list(click.terminus_mm),
        }
        for click in clicked
    }
    inputs = {"scan": scan_input(image), "points": points}
    return canals_document(canals, inputs, image.cautions)


def _write(
    image: Scan,
    canals: tuple[Canal, ...],
    document: CanalsDocument,
    json: str | None,
    figures: Path | None,
) -> None:
    from canalwright.cli.pictures import stage_canal_figures
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles

    with StagedFiles() as staged:
        if figures is not None:
            with progress_bar("Drawing figures"):
                stage_canal_figures(staged, image, canals, figures)
        if json is not None:
            staged.write_text(json, document_text(document))
    for target in (json, figures):
        if target not in (None, "-"):
            announce(f"wrote {target}")
