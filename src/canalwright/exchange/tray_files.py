"""Trays as CSV and YAML files: read with every fault named by row and column, written without loss.

A CSV file has one instrument per row under the column names of `TrayRow`; the tray is called
after the file. A YAML file (``canalwright/tray@1``) holds the name and a list of instruments with
the same keys. `tray_json_schema` describes it for editors, `tray_template_csv` is a table to fill
in. Instruments built by this package come back equal from both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ClassVar, Final

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from canalwright.errors import FaultyRows, UnreadableFile, UsageError
from canalwright.exchange.files import StagedFiles
from canalwright.exchange.tray_alloys import AlloyRow, alloy_row, word_of_alloy
from canalwright.exchange.tray_entries import CellError, entry_from_row, row_from_entry
from canalwright.exchange.tray_rows import COLUMNS, TrayRow, remedy_for
from canalwright.exchange.tray_text import (
    SURPLUS,
    TRAY_SCHEMA,
    TrayText,
    cell_text,
    csv_rows,
    csv_text,
    plain_value,
    yaml_rows,
)
from canalwright.instruments.alloys import AlloySet, alloy_set
from canalwright.instruments.instrument import Alloy, Instrument
from canalwright.instruments.tray import Tray, TrayEntry

__all__ = [
    "TRAY_SCHEMA",
    "TrayFault",
    "TrayImport",
    "import_tray",
    "read_tray",
    "tray_csv",
    "tray_json_schema",
    "tray_template_csv",
    "tray_template_yaml",
    "tray_yaml",
    "write_tray",
]

_LARGEST_FILE_BYTES: Final = 20_000_000


@dataclass(frozen=True, slots=True)
class TrayFault:
    """One cell that cannot be used.

    Attributes
    ----------
    row : int
        Row of the spreadsheet (the heading is row 1), or position in the YAML list from 1 on.
    column : str
    value : str
        What stands there; empty where something is missing.
    problem : str
        What is wrong, as a clause.
    remedy : str
        What to do about it.
    """

    row: int
    column: str
    value: str
    problem: str
    remedy: str

    def sentence(self) -> str:
        """Return the fault as one sentence."""
        value = f" {self.value!r}" if self.value else ""
        end = "" if self.problem.endswith((".", "?")) else "."
        return f"row {self.row}, {self.column}{value} {self.problem}{end} {self.remedy}."


@dataclass(frozen=True, slots=True)
class TrayImport:
    """What a tray file holds: good rows and faults; nothing is imported yet.

    Attributes
    ----------
    path, name : str
        The file, and what the tray is called.
    rows : int
        Number of rows that describe something.
    good : tuple of TrayEntry
        Entries of the rows without a fault.
    faults : tuple of TrayFault
        All of them, in order of rows.
    """

    path: str
    name: str
    rows: int
    good: tuple[TrayEntry, ...]
    faults: tuple[TrayFault, ...]

    def tray(self, *, without_faulty_rows: bool = False) -> Tray:
        """Return the tray.

        Parameters
        ----------
        without_faulty_rows : bool
            Confirms that the good rows are wanted although others have faults.

        Raises
        ------
        FaultyRows
            If there are faults and that is not confirmed, or if no row is good.
        """
        if self.faults and not (without_faulty_rows and self.good):
            raise FaultyRows(
                path=self.path,
                rows=self.rows,
                faults=tuple(fault.sentence() for fault in self.faults),
                hint=f"Nothing was imported; {len(self.good)} rows are good.",
            )
        return Tray(self.name, self.good)


class TrayDocument(BaseModel):
    """A tray in YAML."""

    model_config = ConfigDict(extra="forbid")

    kind: ClassVar[str] = TRAY_SCHEMA

    schema_: str = Field(alias="schema", pattern="^canalwright/tray@1$")
    name: str = Field(min_length=1, description="What the tray is called")
    alloys: list[AlloyRow] = Field(
        default_factory=list, description="Copies of an alloy class with some values changed"
    )
    instruments: list[TrayRow]


def read_tray(path: str | Path) -> Tray:
    """Read a tray file, refusing it whole if any row has a fault.

    Raises
    ------
    UnreadableFile
        If the file is missing or is no CSV or YAML tray.
    FaultyRows
        If a row cannot be used.
    """
    return import_tray(path).tray()


def import_tray(path: str | Path) -> TrayImport:
    """Read a tray file row by row and collect every fault.

    Parameters
    ----------
    path : path
        ``.csv`` (comma, semicolon or tab between columns; decimal comma understood), ``.yaml``
        or ``.yml``.

    Raises
    ------
    UnreadableFile
        If the file is missing, or is no CSV or YAML tray.
    """
    path = Path(path)
    text = _text(path)
    if path.suffix.lower() in {".yaml", ".yml"}:
        return _imported(str(path), yaml_rows(str(path), text))
    if path.suffix.lower() in {".csv", ".tsv", ".txt"}:
        return _imported(str(path), TrayText(path.stem, csv_rows(str(path), text), {}))
    raise UnreadableFile(
        path=str(path), problem=f"{path.suffix or 'no suffix'} is neither .csv nor .yaml"
    )


def write_tray(tray: Tray, path: str | Path) -> None:
    """Write a tray as CSV or YAML, by the suffix; the file appears whole or not at all.

    Raises
    ------
    UsageError
        If the suffix is neither ``.csv``, ``.yaml`` nor ``.yml``.
    """
    path = Path(path)
    if path.suffix.lower() not in {".csv", ".yaml", ".yml"}:
        raise UsageError(f"{path}: a tray is written as .csv or .yaml; give one of these suffixes.")
    text = tray_csv(tray) if path.suffix.lower() == ".csv" else tray_yaml(tray)
    with StagedFiles() as staged:
        staged.write_text(str(path), text)


def tray_csv(tray: Tray) -> str:
    """Return a tray as CSV text; the columns are those that any row needs.

    Raises
    ------
    UsageError
        If an instrument has an alloy of one's own: a table has no place for its values.
    """
    for alloy in tray.own_alloys:
        raise UsageError(
            f"{tray.name}: a table has no place for the values of the alloy {alloy.name!r}; "
            "write the tray as .yaml."
        )
    rows = [row_from_entry(entry) for entry in tray.entries]
    used = [column for column in COLUMNS if any(column in row for row in rows)]
    return csv_text(used or ["id", "count"], rows)


def tray_yaml(tray: Tray) -> str:
    """Return a tray as YAML text."""
    rows = [
        {column: plain_value(value) for column, value in row_from_entry(entry).items()}
        for entry in tray.entries
    ]
    alloys = [alloy_row(alloy) for alloy in tray.own_alloys]
    document = {
        "schema": TRAY_SCHEMA,
        "name": tray.name,
        **({"alloys": alloys} if alloys else {}),
        "instruments": rows,
    }
    return yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=100)


def tray_template_csv() -> str:
    """Return a table to fill in: all columns, and three invented rows to replace."""
    examples: list[dict[str, Any]] = [
        {"id": "hand-10-02", "count": 6},
        {"id": "example-25-04", "count": 2, "kind": "engine", "size": 25, "taper": 0.04,
         "section": "triangle", "alloy": "niti-heat-treated", "rated_torque_ncm": "1.5",
         "rated_speed_rpm": 300, "single_use": "yes"},
        {"id": "example-progressive", "count": 1, "kind": "engine",
         "diameters": "0:0.16; 4:0.25; 9:0.45; 16:0.90", "section": "S",
         "core_ratio": "0:0.5; 16:0.4", "overall_length_mm": 25},
    ]  # fmt: skip
    columns = [column for column in COLUMNS if column != "origins"]
    return csv_text(columns, examples)


def tray_template_yaml() -> str:
    """Return a tray to fill in: the template's instruments, with copies of every alloy class."""
    with_own = {}
    for alloy in Alloy:
        own = replace(alloy_set(alloy), name=f"my-{word_of_alloy(alloy)}")
        with_own[alloy] = own
    table = csv_rows("template", tray_template_csv())
    entries = _imported("template", TrayText("my-tray", table, {})).good
    return tray_yaml(
        Tray(
            "my-tray",
            tuple(
                entry
                if entry.instrument.id.startswith("hand-")
                else replace(entry, instrument=_made_of(entry.instrument, with_own))
                for entry in entries
            ),
        )
    )


def _made_of(instrument: Instrument, own: Mapping[Alloy, AlloySet]) -> Instrument:
    stated = tuple(name for name in instrument.assumed if name != "alloy")
    return replace(instrument, own_alloy=own[instrument.alloy], assumed=stated)


def tray_json_schema() -> dict[str, Any]:
    """Return the JSON Schema of a tray in YAML (or JSON)."""
    return TrayDocument.model_json_schema(by_alias=True)


def _imported(path: str, said: TrayText) -> TrayImport:
    good: list[TrayEntry] = []
    faults: list[TrayFault] = []
    row_of_id: dict[str, int] = {}
    count = 0
    for number, cells in said.rows:
        count += 1
        entry, found = _read_row(number, cells, said.alloys)
        if entry is not None:
            first = row_of_id.setdefault(entry.instrument.id, number)
            if first == number:
                good.append(entry)
            else:
                problem = f"is already used in row {first}"
                remedy = "Add to the count there, or give another name"
                found = [TrayFault(number, "id", entry.instrument.id, problem, remedy)]
        faults += found
    if count == 0:
        raise UnreadableFile(path=path, problem="it lists no instrument")
    return TrayImport(path, said.name, count, tuple(good), tuple(faults))


def _read_row(
    number: int, cells: Mapping[str, Any], alloys: Mapping[str, AlloySet]
) -> tuple[TrayEntry | None, list[TrayFault]]:
    if SURPLUS in cells:
        return None, [_surplus_fault(number, cells)]
    try:
        return entry_from_row(TrayRow.model_validate(dict(cells), context=alloys)), []
    except ValidationError as error:
        return None, _faults_of(number, error)
    except CellError as error:
        value = cell_text(cells.get(error.column))
        remedy = remedy_for(error.column)
        return None, [TrayFault(number, error.column, value, error.problem, remedy)]


def _surplus_fault(number: int, cells: Mapping[str, Any]) -> TrayFault:
    remedy = (
        f"Put a cell that itself contains '{cells['delimiter']}' into double quotes, or write "
        "stations as 0:0.16 | 4:0.25, and remove cells beyond the last column"
    )
    return TrayFault(number, "the row", str(cells[SURPLUS]), "has cells without a column", remedy)


def _faults_of(number: int, error: ValidationError) -> list[TrayFault]:
    """Return one fault per column, the first complaint about it."""
    faults: dict[str, TrayFault] = {}
    for complaint in error.errors(include_url=False):
        column = str(complaint["loc"][0])
        if column not in faults:
            value = cell_text(complaint["input"])
            problem = _problem(complaint)
            faults[column] = TrayFault(number, column, value, problem, remedy_for(column))
    return list(faults.values())


def _problem(complaint: Any) -> str:
    if complaint["type"] == "extra_forbidden":
        return "stands under a column that is not known"
    if complaint["type"] == "value_error":
        return str(complaint["ctx"]["error"])
    if complaint["type"] == "too_short":
        return "gives fewer than two stations"
    message = str(complaint["msg"]).removeprefix("Input ").removeprefix("String ")
    return f"is not possible: it {message[:1].lower()}{message[1:]}"


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise UnreadableFile(path=str(path), problem="larger than any tray")
        return path.read_text("utf-8-sig")
    except FileNotFoundError:
        raise UnreadableFile(path=str(path), problem="there is no such file") from None
    except OSError as error:
        raise UnreadableFile(path=str(path), problem=f"cannot be read ({error.strerror})") from None
    except UnicodeDecodeError as error:
        raise UnreadableFile(
            path=str(path),
            problem=f"not UTF-8 text (byte {error.start})",
            hint="Save the table as 'CSV UTF-8'.",
        ) from None
