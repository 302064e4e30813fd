"""``canalwright calibrate``: load parameters from a motor's torque log of a known pass."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.canals import ChosenCanal, choose_canal, passes_of, patency_pass
from canalwright.cli.options import (
    CanalName,
    FiguresFolder,
    JsonFile,
    LooseMm,
    Patency,
    PatencyPastMm,
    TrayFile,
)
from canalwright.cli.output import (
    announce,
    invented_notice,
    print_cautions,
    print_table,
    text_table,
)
from canalwright.cli.reading import InstrumentAt, read_instruments_at
from canalwright.cli.trays import own_instruments, tray_inputs
from canalwright.cli.writing import check_targets
from canalwright.errors import MalformedText, UnreadableFile

if TYPE_CHECKING:
    from canalwright.mechanics.calibration import Calibration, KnownPass
    from canalwright.mechanics.torque_log import TorqueLog

__all__ = ["calibrate", "read_seconds"]


def calibrate(
    log: Annotated[
        Path,
        typer.Argument(
            metavar="LOG",
            help="The motor's log as CSV: columns of time, speed and torque with their units.",
        ),
    ],
    canal_file: Annotated[
        Path,
        typer.Option(metavar="CANALS", help="A canals@1 document of the canal or block."),
    ],
    instrument: Annotated[
        str, typer.Option(metavar="ID", help="The instrument of the logged pass.")
    ],
    from_level_mm: Annotated[
        float, typer.Option(metavar="MM", help="Level of its tip where the advance begins.")
    ],
    advance_s: Annotated[
        str,
        typer.Option(
            metavar="START:END",
            help="Times in the log, in s, between which the tip goes steadily to its level.",
        ),
    ],
    withdrawn_s: Annotated[
        float | None,
        typer.Option(
            metavar="S",
            help="Time in the log when it is withdrawn, having turned at depth until then.",
        ),
    ] = None,
    canal: CanalName = None,
    tip_level_mm: Annotated[
        float, typer.Option(metavar="MM", help="Level the tip reaches: 0 is the terminus.")
    ] = 0.0,
    after: Annotated[
        str | None,
        typer.Option(metavar="ID,ID@LEVEL,…", help="Instruments used before the logged one."),
    ] = None,
    patency: Patency = None,
    patency_past_mm: PatencyPastMm = 1.0,
    loose_mm: LooseMm = 0.01,
    tray: TrayFile = "standard",
    figures: FiguresFolder = None,
    json: JsonFile = None,
) -> None:
    """Fit cutting energy and friction, with their uncertainty, to a torque log of a known pass."""
    from canalwright.mechanics.calibration import calibrated
    from canalwright.planning.known_pass import Advance, known_pass
    from canalwright.planning.single_step import shape_after
    from canalwright.reports.load_tables import calibration_table

    check_targets(json, inputs=(canal_file, log), folder=figures)
    begins, ends = read_seconds(advance_s)
    own = own_instruments(tray)
    record = _read_log(log)
    advance = Advance(from_level_mm, begins, ends, ends if withdrawn_s is None else withdrawn_s)
    chosen = choose_canal(canal_file, canal)
    first = patency_pass(patency, patency_past_mm, loose_mm, own)
    (made,) = passes_of((InstrumentAt(instrument, tip_level_mm),), own)
    before = shape_after(
        chosen.canal, passes_of(read_instruments_at(after, name="--after"), own), first
    )
    known = known_pass(record, chosen.canal, before, made, advance)
    found = calibrated(record, known)
    inputs = {
        **_inputs(log, chosen, tray),
        "instrument": made.instrument.id,
        "options": {
            "from_level_mm": from_level_mm,
            "tip_level_mm": tip_level_mm,
            "advance_s": [begins, ends],
            "withdrawn_s": advance.withdrawn_s,
            "after": after,
            "patency": patency,
        },
    }
    _write(found, record, known, chosen, inputs, figures, json)
    if json != "-":
        print_table(text_table(calibration_table(found)))
    invented_notice(chosen.canal.provenance.invented)
    print_cautions(found.cautions)


def read_seconds(text: str) -> tuple[float, float]:
    """Read ``START:END`` in seconds.

    Raises
    ------
    MalformedText
        If these are not two numbers with a colon between.
    """
    start, _, end = text.partition(":")
    try:
        return float(start), float(end)
    except ValueError:
        raise MalformedText(
            name="--advance-s", got=text, expected="two times in seconds such as 2.0:8.5"
        ) from None


def _read_log(path: Path) -> TorqueLog:
    from canalwright.mechanics.torque_log import read_torque_log

    try:
        return read_torque_log(path.read_text("utf-8"))
    except FileNotFoundError:
        raise UnreadableFile(path=str(path), problem="there is no such file") from None
    except UnicodeDecodeError as error:
        raise UnreadableFile(
            path=str(path), problem=f"not UTF-8 text (byte {error.start}); a CSV file is needed"
        ) from None
    except OSError as error:
        raise UnreadableFile(path=str(path), problem=f"cannot be read ({error.strerror})") from None


def _inputs(log: Path, chosen: ChosenCanal, tray: str) -> dict[str, Any]:
    from canalwright.exchange.inputs import document_input, file_digest

    return {
        "log": {"source": str(log), "sha256": file_digest(log)},
        "canals": document_input(chosen.path, chosen.document),
        **tray_inputs(tray),
    }


def _write(
    found: Calibration,
    record: TorqueLog,
    known: KnownPass,
    chosen: ChosenCanal,
    inputs: dict[str, Any],
    figures: Path | None,
    json: str | None,
) -> None:
    from canalwright.cli.pictures import stage_figure
    from canalwright.exchange.calibrations import calibration_document
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles
    from canalwright.reports.calibration_figure import calibration_figure

    written: list[Path] = []
    with StagedFiles() as staged:
        if figures is not None:
            title = f"{inputs['instrument']} in {chosen.canal.name}: measured and fitted torque"
            invented = chosen.canal.provenance.invented
            figure = calibration_figure(found, record, known, title=title, invented=invented)
            written = stage_figure(staged, figure, figures, f"calibration-{chosen.canal.name}")
        if json is not None:
            document = calibration_document(
                found, record, known, inputs=inputs, invented=chosen.canal.provenance.invented
            )
            staged.write_text(json, document_text(document))
    for target in (json, *written):
        if target not in (None, "-"):
            announce(f"wrote {target}")
