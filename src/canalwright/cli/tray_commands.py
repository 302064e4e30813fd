"""``canalwright instruments check | import | template``: tray files of one's own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.output import announce, print_text
from canalwright.cli.writing import check_targets

if TYPE_CHECKING:
    from canalwright.exchange.tray_files import TrayImport

__all__ = ["check_tray", "import_tray_file", "write_template"]

TrayPath = Annotated[Path, typer.Argument(metavar="TRAY", help="A tray file, .csv or .yaml.")]


def check_tray(tray: TrayPath) -> None:
    """Check a tray file row by row and name every fault; nothing is written."""
    from canalwright.exchange.tray_files import import_tray

    found = import_tray(tray)
    _print_faults(found)
    checked = found.tray()
    print_text(f"{tray}: {len(checked.entries)} rows, no faults.")


def import_tray_file(
    tray: TrayPath,
    to: Annotated[
        Path, typer.Option("--to", metavar="FILE", help="Where to write it, .csv or .yaml.")
    ],
    without_faulty_rows: Annotated[
        bool, typer.Option("--without-faulty-rows", help="Import the good rows alone.")
    ] = False,
) -> None:
    """Check a tray file and write it in the program's own form."""
    from canalwright.exchange.tray_files import import_tray, write_tray

    check_targets(to, inputs=(tray,))
    found = import_tray(tray)
    _print_faults(found)
    made = found.tray(without_faulty_rows=without_faulty_rows)
    write_tray(made, to)
    announce(f"wrote {to}: {len(made.entries)} instruments")


def write_template(
    to: Annotated[
        str, typer.Option("--to", metavar="FILE", help="Where to write it; '-' prints it.")
    ] = "-",
) -> None:
    """Write a table to fill in: every column, with invented rows to replace."""
    from canalwright.exchange.files import StagedFiles
    from canalwright.exchange.tray_files import tray_template_csv

    check_targets(to)
    with StagedFiles() as staged:
        staged.write_text(to, tray_template_csv())


def _print_faults(found: TrayImport) -> None:
    for fault in found.faults:
        print_text(fault.sentence())
