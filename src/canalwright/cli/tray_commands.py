"""``canalwright instruments check | import | template | schema | alloys``: one's own tray."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.made_files import report_files
from canalwright.cli.options import JsonFile, TrayFile
from canalwright.cli.output import announce, print_cautions, print_table, print_text, text_table
from canalwright.cli.reading import read_pairs
from canalwright.cli.trays import STANDARD, own_instruments, tray_inputs
from canalwright.cli.writing import check_targets, write_document

if TYPE_CHECKING:
    from canalwright.exchange.tray_files import TrayImport
    from canalwright.instruments.alloys import AlloySet

__all__ = ["check", "import_tray_file", "list_alloys", "write_schema", "write_template"]

TrayPath = Annotated[Path, typer.Argument(metavar="TRAY", help="A tray file, .csv or .yaml.")]

_TRAY_SUFFIXES = {".csv", ".tsv", ".txt", ".yaml", ".yml"}


def check(
    what: Annotated[
        str, typer.Argument(metavar="TRAY|ID", help="A tray file, or the id of an instrument.")
    ],
    measured: Annotated[
        str | None,
        typer.Option(
            metavar="STATION:MM,…",
            help="Diameters read with a micrometer or microscope, e.g. 0:0.26,3:0.33,16:0.57.",
        ),
    ] = None,
    reading_sd_mm: Annotated[
        float, typer.Option(metavar="MM", help="Standard deviation of one reading.")
    ] = 0.0,
    tray: TrayFile = STANDARD,
    json: JsonFile = None,
) -> None:
    """Check a tray file row by row, or measured diameters against profile and tolerance."""
    from canalwright.errors import UsageError

    if measured is not None:
        _check_diameters(what, measured, reading_sd_mm, tray, json)
    elif Path(what).suffix.lower() in _TRAY_SUFFIXES:
        _check_tray(Path(what), json)
    else:
        raise UsageError(
            f"{what}: give its readings as --measured STATION:MM,…; or the name of a tray file, "
            "which ends in .csv or .yaml."
        )


def _check_tray(tray: Path, json: str | None) -> None:
    from canalwright.cli.records_output import answer
    from canalwright.exchange.tray_files import import_tray

    check_targets(json, inputs=(tray,))
    found = import_tray(tray)
    faults = [fault.sentence() for fault in found.faults]
    content = {"tray": str(tray), "rows": found.rows, "faults": faults}
    answer(json, "tray-check", content, faults)
    checked = found.tray()
    if json != "-":
        print_text(f"{tray}: {len(checked.entries)} rows, no faults.")


def _check_diameters(
    name: str, measured: str, reading_sd_mm: float, tray: str, json: str | None
) -> None:
    from canalwright.exchange.gauging import gauging_document
    from canalwright.instruments.gauging import check_diameters
    from canalwright.instruments.standard import find_instrument
    from canalwright.reports.instrument_tables import gauging_table

    check_targets(json)
    instrument = find_instrument(name, own_instruments(tray))
    station_mm, measured_mm = read_pairs(measured, name="--measured")
    found = check_diameters(instrument, station_mm, measured_mm, reading_sd_mm=reading_sd_mm)
    if json is not None:
        inputs = {"instrument": name, "reading_sd_mm": reading_sd_mm, **tray_inputs(tray)}
        write_document(gauging_document(found, inputs), json)
    if json != "-":
        print_table(text_table(gauging_table(found)))
        print_text(
            f"{found.verdict.value[0].upper()}{found.verdict.value[1:]}; mean deviation "
            f"{found.mean_deviation_mm:+.3f} mm, as a size {found.measured_size:.1f}.".replace(
                "-", "−"
            )
        )
    print_cautions(found.cautions)


def import_tray_file(
    tray: TrayPath,
    to: Annotated[
        Path, typer.Option("--to", metavar="FILE", help="Where to write it, .csv or .yaml.")
    ],
    without_faulty_rows: Annotated[
        bool, typer.Option("--without-faulty-rows", help="Import the good rows alone.")
    ] = False,
    json: JsonFile = None,
) -> None:
    """Check a tray file and write it in the program's own form."""
    from canalwright.exchange.tray_files import import_tray, write_tray

    check_targets(to, json, inputs=(tray,))
    found = import_tray(tray)
    if json != "-":
        _print_faults(found)
    made = found.tray(without_faulty_rows=without_faulty_rows)
    write_tray(made, to)
    left_out = found.rows - len(made.entries)
    without = f", {left_out} rows with faults left out" if left_out else ""
    announce(f"wrote {to}: {len(made.entries)} instruments{without}")
    details = {
        "instruments": len(made.entries),
        "rows_left_out": left_out,
        "faults": [fault.sentence() for fault in found.faults],
    }
    report_files(json, "instruments import", [to], inputs={"tray": str(tray)}, details=details)


def write_template(
    to: Annotated[
        str, typer.Option("--to", metavar="FILE", help="Where to write it; '-' prints it.")
    ] = "-",
    json: JsonFile = None,
) -> None:
    """Write a tray to fill in, with invented rows to replace; as .yaml with alloys to edit."""
    from canalwright.exchange.files import StagedFiles
    from canalwright.exchange.tray_files import tray_template_csv, tray_template_yaml

    check_targets(to, json)
    yaml = Path(to).suffix.lower() in {".yaml", ".yml"}
    with StagedFiles() as staged:
        staged.write_text(to, tray_template_yaml() if yaml else tray_template_csv())
    _report(json, "instruments template", to)


def write_schema(
    to: Annotated[
        str, typer.Option("--to", metavar="FILE", help="Where to write it; '-' prints it.")
    ] = "-",
    json: JsonFile = None,
) -> None:
    """Write the JSON Schema of tray files, for editors that check YAML while one types."""
    from canalwright.exchange.files import StagedFiles
    from canalwright.exchange.layout import json_text
    from canalwright.exchange.schemas import json_schemas
    from canalwright.exchange.tray_files import TRAY_SCHEMA

    check_targets(to, json)
    with StagedFiles() as staged:
        staged.write_text(to, json_text(json_schemas()[TRAY_SCHEMA]))
    _report(json, "instruments schema", to)


def list_alloys(tray: TrayFile = STANDARD, json: JsonFile = None) -> None:
    """List the alloy classes, and the alloys that a tray defines: every value with its origin."""
    from canalwright.cli.records_output import answer
    from canalwright.cli.trays import choose_tray
    from canalwright.instruments.alloys import alloy_set
    from canalwright.instruments.instrument import Alloy
    from canalwright.reports.instrument_tables import alloy_table

    own = choose_tray(tray).own_alloys
    listed = (*(alloy_set(alloy) for alloy in Alloy), *own)
    content = {"alloys": [_alloy(one) for one in listed]}
    if answer(json, "alloys", content, inputs=tray_inputs(tray)):
        for chosen in listed:
            print_table(text_table(alloy_table(chosen)))
    announce("To edit a copy: canalwright instruments template --to tray.yaml")


def _alloy(chosen: AlloySet) -> dict[str, Any]:
    from canalwright.instruments.alloys import graded_values

    return {
        "name": chosen.name,
        "alloy": str(chosen.alloy),
        "reference_temperature_c": chosen.reference_temperature_c,
        "values": graded_values(chosen),
    }


def _report(target: str | None, command: str, to: str) -> None:
    report_files(target, command, [] if to == "-" else [Path(to)])


def _print_faults(found: TrayImport) -> None:
    for fault in found.faults:
        print_text(fault.sentence())
