"""``canalwright trace``: a canal on one to three radiographs, through clicked points."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.options import FiguresFolder, JsonFile
from canalwright.cli.output import (
    announce,
    invented_notice,
    labelled,
    print_cautions,
    print_table,
    progress_bar,
    text_table,
)
from canalwright.cli.trace_reading import (
    TracedView,
    read_between,
    read_points,
    read_ruler,
    read_view,
)
from canalwright.cli.writing import check_targets
from canalwright.errors import NotACanal

if TYPE_CHECKING:
    from canalwright.cautions import Caution
    from canalwright.exchange.canals import CanalsDocument
    from canalwright.imaging.radiograph import Radiograph
    from canalwright.imaging.rulers import Ruler
    from canalwright.imaging.tracing import TracedCanal

__all__ = ["trace"]


@dataclass(frozen=True, eq=False)
class _Traced:
    """One radiograph, the canal on it, and what was asked for."""

    radiograph: Radiograph
    canal: TracedCanal
    angle_deg: float
    asked: dict[str, Any]


def trace(
    radiograph: Annotated[
        Path,
        typer.Argument(metavar="RADIOGRAPH", help="DICOM (IO, DX, CR), JPEG, PNG or TIFF file."),
    ],
    points: Annotated[
        str,
        typer.Option(
            metavar="'X,Y;X,Y;…'",
            help="Points along the canal in pixels from the upper left corner: orifice first, "
            "terminus last (or see --terminus-first). Quote the list.",
        ),
    ],
    canal: Annotated[
        str, typer.Option("--canal", metavar="NAME", help="Name of the canal.")
    ] = "canal",
    terminus_last: Annotated[
        bool,
        typer.Option(
            "--terminus-last/--terminus-first", help="At which end of the points the terminus is."
        ),
    ] = True,
    scale_mm_per_px: Annotated[
        float | None, typer.Option(metavar="MM", help="Size of a pixel at the tooth.")
    ] = None,
    scale_sd_mm_per_px: Annotated[
        float | None, typer.Option(metavar="MM", help="Standard deviation of that size.")
    ] = None,
    known_length_mm: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Length of an object in the picture, beside the canal."),
    ] = None,
    known_length_sd_mm: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Standard deviation of that length (0.1 if not given)."),
    ] = None,
    between: Annotated[
        str | None, typer.Option(metavar="X,Y:X,Y", help="The two ends of that object in pixels.")
    ] = None,
    snap: Annotated[
        bool,
        typer.Option(
            "--snap/--no-snap", help="Move the line to the dark canal where there is one."
        ),
    ] = True,
    view: Annotated[
        list[str] | None,
        typer.Option(
            metavar="'FILE:ANGLE:X,Y;X,Y;…'",
            help="A radiograph of the same tooth with the tube turned by ANGLE degrees about the "
            "tooth, positive to the right of the first picture; points in the same order. At "
            "most twice.",
        ),
    ] = None,
    invert: Annotated[
        bool, typer.Option("--invert", help="Dense parts are dark in the picture.")
    ] = False,
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Trace a canal on a radiograph: line, length, curvature and projected widths in one view."""
    further = [read_view(text) for text in view or []]
    inputs = (radiograph, *(one.path for one in further))
    check_targets(json, inputs=inputs, folder=figures)
    clicks = read_points(points, name="--points")
    ruler = read_ruler(
        scale_mm_per_px, scale_sd_mm_per_px, known_length_mm, known_length_sd_mm, between
    )
    views = [TracedView(radiograph, 0.0, clicks), *further]
    traced = _traced(views, canal, ruler, between, terminus_last=terminus_last, snap=snap,
                     invert=invert)  # fmt: skip
    canals, cautions = _combined(canal, traced)
    document = _document(canals, traced, terminus_last, cautions)
    _write(document, traced, json, figures)
    if json != "-":
        _print(canals)
    invented_notice(any(one.radiograph.invented for one in traced))
    print_cautions(cautions + labelled({c.name: _all_cautions(c) for c in canals}))


def _traced(
    views: list[TracedView],
    name: str,
    ruler: Ruler | None,
    between: str | None,
    *,
    terminus_last: bool,
    snap: bool,
    invert: bool,
) -> list[_Traced]:
    from canalwright.imaging.radiograph import read_radiograph
    from canalwright.imaging.tracing import TraceSettings, trace_canal

    made = []
    for at, view in enumerate(views, start=1):
        label = name if len(views) == 1 else f"{name}-view{at}"
        with progress_bar(f"Tracing {label}"):
            picture = read_radiograph(view.path, inverted=invert)
            if at == 1 and between is not None:
                picture.require_inside("--between", read_between(between))
            picture = picture.with_ruler(ruler)
            traced = trace_canal(
                picture,
                label,
                view.points_px,
                terminus="last" if terminus_last else "first",
                settings=TraceSettings(snap=snap),
            )
        asked = {"points_px": [list(p) for p in view.points_px], "angle_deg": view.angle_deg}
        made.append(_Traced(picture, traced, view.angle_deg, asked))
    return made


def _combined(
    name: str, traced: list[_Traced]
) -> tuple[tuple[TracedCanal, ...], tuple[Caution, ...]]:
    """Return the canal in space, or those of the single views with the reason."""
    single = tuple(one.canal for one in traced)
    if len(traced) == 1:
        return single, ()
    from canalwright.cautions import Caution
    from canalwright.imaging.views import View, combined_views

    views = [View(one.canal, one.angle_deg) for one in traced]
    try:
        return (combined_views(name, views),), _shared_scale(traced)
    except NotACanal as error:
        text = f"The views were not combined; each is given by itself. {error.sentence()}"
        return single, (Caution("VIEWS_NOT_COMBINED", text, "project rule"),)


def _shared_scale(traced: list[_Traced]) -> tuple[Caution, ...]:
    from canalwright.cautions import Caution
    from canalwright.imaging.rulers import RulerOrigin

    if all(one.radiograph.scale_origin is not RulerOrigin.KNOWN_LENGTH for one in traced):
        return ()
    text = (
        "The scale from the object in the first picture was taken for the other pictures too: "
        "the same detector, distance and export are assumed."
    )
    return (Caution("SCALE_SHARED_BY_VIEWS", text, "project rule"),)


def _document(
    canals: tuple[TracedCanal, ...],
    traced: list[_Traced],
    terminus_last: bool,
    cautions: tuple[Caution, ...],
) -> CanalsDocument:
    from canalwright.exchange.traces_out import radiograph_input, traced_document

    listed = [{**radiograph_input(one.radiograph), **one.asked} for one in traced]
    order = "orifice first" if terminus_last else "terminus first"
    inputs = {"radiographs": listed, "order_of_points": order}
    return traced_document(canals, inputs, cautions)


def _write(
    document: CanalsDocument, traced: list[_Traced], json: str | None, figures: Path | None
) -> None:
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles

    with StagedFiles() as staged:
        if figures is not None:
            from canalwright.cli.pictures import stage_figure
            from canalwright.reports.radiograph_figure import radiograph_figure

            with progress_bar("Drawing figures"):
                for one in traced:
                    figure = radiograph_figure(one.radiograph, one.canal)
                    stage_figure(staged, figure, figures, f"trace-{one.canal.name}")
        if json is not None:
            staged.write_text(json, document_text(document))
    for target in (json, figures):
        if target not in (None, "-"):
            announce(f"wrote {target}")


def _print(canals: tuple[TracedCanal, ...]) -> None:
    from canalwright.reports.traced_tables import traced_curvature_table, traced_levels_table

    for canal in canals:
        print_table(text_table(traced_levels_table(canal)))
        print_table(text_table(traced_curvature_table(canal)))


def _all_cautions(canal: TracedCanal) -> tuple[Caution, ...]:
    return canal.cautions + canal.curvature.cautions
