"""The text of tray files: tables and lists on one side, plain mappings on the other."""

from __future__ import annotations

import contextlib
import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any, Final

import yaml

from canalwright.errors import UnreadableFile
from canalwright.exchange.tray_alloys import alloys_from_rows, word_of_alloy
from canalwright.instruments.alloys import AlloySet
from canalwright.instruments.instrument import Alloy

__all__ = [
    "SURPLUS",
    "TRAY_SCHEMA",
    "TrayText",
    "cell_text",
    "csv_rows",
    "csv_text",
    "plain_value",
    "yaml_rows",
]

TRAY_SCHEMA: Final = "canalwright/tray@1"


def csv_rows(path: str, text: str) -> list[tuple[int, dict[str, Any]]]:
    """Return the rows of a CSV file that are not empty, each with its number in the table."""
    heading = text.splitlines()[0] if text.strip() else ""
    delimiter = max(",;\t", key=heading.count)
    try:
        table = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise UnreadableFile(path=path, problem=f"not a table ({error})") from None
    columns = [name.strip() for name in table[0]] if table else []
    if not {"id", "size", "diameters"} & set(columns):
        raise UnreadableFile(
            path=path,
            problem="its first row has no column called id, size or diameters",
            hint="Start from the template: the first row holds the column names.",
        )
    repeated = {name for name in columns if name and columns.count(name) > 1}
    if repeated:
        raise UnreadableFile(path=path, problem=f"the column {min(repeated)} occurs twice")
    return [
        (
            number,
            _surplus(columns, cells, delimiter)
            if any(cell.strip() for cell in cells[len(columns) :])
            else _cells(columns, cells),
        )
        for number, cells in enumerate(table[1:], start=2)
        if any(cell.strip() for cell in cells)
    ]


SURPLUS: Final = "surplus cells"
"""Stands in the cells of a row that has more of them than there are columns."""


def _surplus(columns: list[str], cells: list[str], delimiter: str) -> dict[str, Any]:
    return {SURPLUS: f"{len(cells)} cells for {len(columns)} columns", "delimiter": delimiter}


def _cells(columns: list[str], cells: list[str]) -> dict[str, Any]:
    named: dict[str, Any] = {}
    for index, cell in enumerate(cells):
        if cell.strip():
            named[columns[index] or f"column {index + 1}"] = cell.strip()
    if "origins" in named:
        # where this fails, the check of the row names the cell
        with contextlib.suppress(json.JSONDecodeError):
            named["origins"] = json.loads(named["origins"])
    return named


class _StrictLoader(yaml.SafeLoader):
    """A loader that refuses a key given twice instead of keeping the last."""


def _mapping(loader: _StrictLoader, node: yaml.MappingNode) -> dict[Any, Any]:
    keys = [loader.construct_object(key, deep=True) for key, _ in node.value]
    for key in keys:
        if keys.count(key) > 1:
            raise yaml.constructor.ConstructorError(
                None, None, f"the key {key!r} is given twice", node.start_mark
            )
    return dict(loader.construct_mapping(node, deep=True))


_StrictLoader.add_constructor(yaml.resolver.BaseResolver.DEFAULT_MAPPING_TAG, _mapping)


@dataclass(frozen=True, slots=True)
class TrayText:
    """What a tray file says: its name, its rows with their numbers, and its own alloys."""

    name: str
    rows: Sequence[tuple[int, Mapping[str, Any]]]
    alloys: Mapping[str, AlloySet]


def yaml_rows(path: str, text: str) -> TrayText:
    """Return what a YAML tray says, its items numbered from 1."""
    try:
        data = yaml.load(text, Loader=_StrictLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark
        where = f" at line {mark.line + 1}, column {mark.column + 1}" if mark else ""
        raise UnreadableFile(path=path, problem=f"not YAML{where} ({error.problem})") from None
    except (yaml.YAMLError, RecursionError, ValueError, TypeError):
        raise UnreadableFile(path=path, problem="not YAML") from None
    if not isinstance(data, dict) or data.get("schema") != TRAY_SCHEMA:
        raise UnreadableFile(path=path, problem=f"it has no 'schema: {TRAY_SCHEMA}'")
    listed = data.get("instruments")
    if not isinstance(listed, list) or not all(isinstance(item, dict) for item in listed):
        raise UnreadableFile(path=path, problem="'instruments' is not a list of instruments")
    name = str(data.get("name") or Path(path).stem)
    rows = [(n, _named_cells(item)) for n, item in enumerate(listed, start=1)]
    return TrayText(name, rows, alloys_from_rows(path, data.get("alloys") or []))


def _named_cells(item: Mapping[Any, Any]) -> dict[str, Any]:
    return {str(key): value for key, value in item.items() if value is not None}


def csv_text(columns: list[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Return a heading and rows as CSV text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([cell_text(row.get(column)) for column in columns])
    return out.getvalue()


def cell_text(value: Any) -> str:
    """Return a value as the text of a cell."""
    plain = plain_value(value)
    if plain is None:
        return ""
    if isinstance(plain, bool):
        return "yes" if plain else "no"
    if isinstance(plain, dict):
        return "; ".join(f"{cell_text(key)}:{cell_text(item)}" for key, item in plain.items())
    if isinstance(plain, list):
        return json.dumps(plain, ensure_ascii=False)
    if isinstance(plain, float):
        return repr(int(plain)) if plain.is_integer() else repr(plain)
    return str(plain)


def plain_value(value: Any) -> Any:
    """Return a value as plain types for YAML."""
    if isinstance(value, Alloy):
        return word_of_alloy(value)
    if isinstance(value, AlloySet):
        return value.name
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {plain_value(key): plain_value(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_value(item) for item in value]
    return value
