"""``canalwright step``: one instrument through the canal as it now is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

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
    table,
)
from canalwright.cli.reading import InstrumentAt, read_instruments_at
from canalwright.cli.trays import own_instruments
from canalwright.cli.writing import check_targets, write_document

if TYPE_CHECKING:
    from rich.table import Table

    from canalwright.mechanics.concentric import PassLoads
    from canalwright.shaping.shape import Step

__all__ = ["step"]

_ROW_EVERY_MM = 1.0


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
        print_table(_level_table(chosen, done))
        _print_summary(done, loads)
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

    return {"canals": document_input(chosen.path, chosen.document), "tray": tray}


def _level_table(chosen: ChosenCanal, done: Step) -> Table:
    from canalwright.reports.text import format_number, format_percent

    rows = [
        (
            format_number(float(done.level_mm[at]), 1),
            format_number(float(done.before_mm[at]), 3),
            format_number(float(done.instrument_mm[at]) or None, 3),
            format_number(float(done.step_mm[at]), 3) if done.engaged[at] else "loose",
            format_percent(float(done.step_percent[at]), 0, signed=True)
            if done.engaged[at]
            else "",
            format_percent(float(done.area_percent[at]), 0, signed=True)
            if done.engaged[at]
            else "",
            format_number(float(done.dentin_left_mm[at]), 2),
        )
        for at in _rows_at(done)
    ]
    columns = (
        ("level mm", "right"),
        ("canal mm", "right"),
        ("instrument mm", "right"),
        ("step mm", "right"),
        ("step", "right"),
        ("area", "right"),
        ("dentin left mm", "right"),
    )
    title = f"{done.made.instrument.id} in {chosen.canal.name} (inscribed diameters)"
    return table(title, columns, rows)


def _rows_at(done: Step) -> list[int]:
    from canalwright.cli.picking import indices_every_mm

    return indices_every_mm(done.level_mm, _ROW_EVERY_MM)


def _print_summary(done: Step, loads: PassLoads) -> None:
    from canalwright.reports.text import format_mm, format_number, format_percent

    worst = int(done.step_percent.argmax())
    print_text(
        f"Largest step {format_percent(float(done.step_percent[worst]), 1, signed=True)} "
        f"({format_mm(float(done.step_mm[worst]), 3)}) at level "
        f"{format_mm(float(done.level_mm[worst]), 1)}; engages over "
        f"{format_mm(done.engaged_length_mm, 1)}; removes {done.removed_mm3:.3f} mm³; thinnest "
        f"dentin left {format_mm(done.dentin_left_min_mm)}."
    )
    print_text(
        f"Estimates: strain at most {format_percent(100.0 * loads.peak_strain, 1)} at level "
        f"{format_mm(loads.peak_strain_level_mm, 1)}; torque "
        f"{format_number(loads.peak_torque_ncm, 2)} N·cm, "
        f"{format_percent(100.0 * loads.torque_fraction)} of the strength at its weakest station."
    )
