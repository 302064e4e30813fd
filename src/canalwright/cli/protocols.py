"""``canalwright protocols``: two or more sequences side by side, on one canal or several."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.bundles import taking
from canalwright.cli.canals import ChosenCanal, choose_canals
from canalwright.cli.limit_options import LIMITS_AND_LIVES, LimitOptions
from canalwright.cli.opening import OPENING, Opening
from canalwright.cli.options import CanalsFile, FiguresFolder, JsonFile
from canalwright.cli.output import (
    announce,
    invented_notice,
    print_cautions,
    print_table,
    print_text,
    progress_bar,
    text_table,
)
from canalwright.cli.reading import read_named_sequences, split_names
from canalwright.cli.writing import check_targets

if TYPE_CHECKING:
    from canalwright.exchange.shapes import ProtocolsDocument
    from canalwright.planning.simulation import Simulation
    from canalwright.shaping.shape import Pass

__all__ = ["protocols"]

Compared = tuple[tuple[str, "Simulation"], ...]


@taking(opening=OPENING, bounds=LIMITS_AND_LIVES)
def protocols(
    canals: CanalsFile,
    sequence: Annotated[
        list[str],
        typer.Option(
            metavar="NAME=ID,ID@LEVEL,…",
            help="A sequence and its name; give the option once for every sequence.",
        ),
    ],
    canal: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Which canals; all in the file by default."),
    ] = None,
    *,
    opening: Opening,
    bounds: LimitOptions,
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Compare sequences: steps, torque, fatigue, time, dentin and final shape.

    Every sequence is judged as 'plan' judges its own: centered, and again with full loads and
    transportation.
    """
    from canalwright.planning.simulation import compared

    check_targets(json, inputs=(canals,), folder=figures)
    named = {name: opening.passes(at) for name, at in read_named_sequences(sequence).items()}
    chosen = choose_canals(canals, split_names(canal or []))
    with progress_bar("Carrying out sequences"):
        found = compared(
            [c.canal for c in chosen],
            named,
            opening.target,
            bounds.limits,
            **opening.settings,
            stock=opening.stock(bounds.used),
            full_loads=True,
        )
    inputs = opening.inputs(chosen[0], {"sequence": list(sequence), **bounds.inputs()})
    document = _document(chosen, found, opening.patency, inputs)
    _write(chosen, found, document, json, figures)
    if json != "-":
        _print(found)
    invented_notice(any(c.canal.provenance.invented for c in chosen))
    print_cautions(_cautions(found))


def _document(
    chosen: tuple[ChosenCanal, ...],
    found: Compared,
    patency: Pass | None,
    inputs: dict[str, Any],
) -> ProtocolsDocument:
    from canalwright.exchange.shapes import protocols_document

    return protocols_document([c.canal for c in chosen], found, patency=patency, inputs=inputs)


def _write(
    chosen: tuple[ChosenCanal, ...],
    found: Compared,
    document: ProtocolsDocument,
    json: str | None,
    figures: Path | None,
) -> None:
    from canalwright.cli.pictures import stage_figure
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles
    from canalwright.reports.sequences_figure import sequences_figure

    with StagedFiles() as staged:
        for one in chosen if figures is not None else ():
            mine = [(n, s) for n, s in found if s.canal_name == one.canal.name]
            figure = sequences_figure(one.canal, mine)
            stage_figure(staged, figure, Path(str(figures)), f"protocols-{one.canal.name}")
        if json is not None:
            staged.write_text(json, document_text(document))
    for target in (json, figures):
        if target not in (None, "-"):
            announce(f"wrote {target}")


def _print(found: Compared) -> None:
    from canalwright.reports.sequence_tables import protocols_table

    for canal_name in dict.fromkeys(one.canal_name for _, one in found):
        mine = [(name, one) for name, one in found if one.canal_name == canal_name]
        print_table(text_table(protocols_table(mine)))
    for name, one in found:
        for text in one.broken:
            print_text(f"{name} on {one.canal_name}: {text}")


def _cautions(found: Compared) -> Any:
    """Return what holds for the whole comparison; limits broken are printed with the table."""
    return tuple(c for _, one in found for c in one.cautions if c.code != "LIMIT_BROKEN")
