"""``canalwright step``: one instrument through the canal as it now is."""

from __future__ import annotations

from typing import Annotated

import typer

from canalwright.cli.canals import ChosenCanal, choose_canal, passes_of, patency_pass
from canalwright.cli.options import (
    CanalName,
    CanalsFile,
    JsonFile,
    LooseMm,
    Patency,
    PatencyPastMm,
    TrayFile,
)
from canalwright.cli.output import (
    invented_notice,
    print_cautions,
    print_table,
    print_text,
    text_table,
)
from canalwright.cli.reading import InstrumentAt, read_instruments_at
from canalwright.cli.trays import own_instruments, tray_inputs
from canalwright.cli.writing import check_targets, write_document

__all__ = ["step"]


def step(
    canals: CanalsFile,
    instrument: Annotated[
        str, typer.Option(metavar="ID", help="The instrument to take in, e.g. hand-15-02.")
    ],
    canal: CanalName = None,
    after: Annotated[
        str | None,
        typer.Option(
            metavar="ID,ID@LEVEL,…",
            help="Instruments used before it, in any order; @LEVEL if one stopped short.",
        ),
    ] = None,
    tip_level_mm: Annotated[
        float, typer.Option(metavar="MM", help="Level of its tip: 0 is the terminus.")
    ] = 0.0,
    patency: Patency = None,
    patency_past_mm: PatencyPastMm = 1.0,
    loose_mm: LooseMm = 0.01,
    tray: TrayFile = "standard",
    json: JsonFile = None,
) -> None:
    """Compute one pass: the step at every level, where it engages, what dentin it leaves."""
    from canalwright.exchange.steps import step_document
    from canalwright.planning.single_step import step_after
    from canalwright.reports.tables import step_sentences, step_table

    check_targets(json, inputs=(canals,))
    own = own_instruments(tray)
    earlier = passes_of(read_instruments_at(after, name="--after"), own)
    first = patency_pass(patency, patency_past_mm, loose_mm, own)
    (made,) = passes_of((InstrumentAt(instrument, tip_level_mm),), own)
    chosen = choose_canal(canals, canal)
    done, loads = step_after(chosen.canal, made, earlier, first)
    document = step_document(
        chosen.canal, done, loads, after=earlier, patency=first, inputs=_inputs(chosen, tray)
    )
    if json is not None:
        write_document(document, json)
    if json != "-":
        print_table(text_table(step_table(chosen.canal.name, done)))
        for sentence in step_sentences(done, loads):
            print_text(sentence)
    invented_notice(chosen.canal.provenance.invented)
    print_cautions_of(document)


def print_cautions_of(document: object) -> None:
    """Print the cautions that a document carries."""
    from canalwright.cautions import Caution

    print_cautions(
        Caution(c.code, c.text, c.source)
        for c in document.cautions  # type: ignore[attr-defined]
    )


def _inputs(chosen: ChosenCanal, tray: str) -> dict:  # type: ignore[type-arg]
    from canalwright.exchange.inputs import document_input

    return {"canals": document_input(chosen.path, chosen.document), **tray_inputs(tray)}
