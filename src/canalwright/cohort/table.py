"""The table of a cohort: one row per specimen, groups, pairs and covariates; checked as a whole."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from canalwright.errors import MalformedText, UnreadableFile

__all__ = ["OWN_COLUMNS", "CohortRow", "CohortTable", "read_table"]

OWN_COLUMNS: Final = {
    "id": "name of the row, used once",
    "before": "scan, or canals@1 document",
    "after": "the same later; empty to measure only",
    "canal": "NAME=x,y,z:x,y,z in scans; NAME in documents",
    "group": "what is compared",
    "pair": "specimens with the same entry belong together, such as canals of one tooth",
    "align": "yes to lay root surfaces of documents on each other",
    "spacing": "z,y,x in mm, for scans that state none",
    "tolerance_mm": "up to here wall counts as untouched",
    "intended_level_mm": "level at which the preparation was to begin",
}
_YES: Final = {"yes", "true", "1"}


@dataclass(frozen=True, slots=True)
class CohortRow:
    """One specimen.

    Attributes
    ----------
    id : str
    before, after : str
        Paths; `after` is empty for a row that is only measured.
    canal, group, pair : str
    align : bool
    spacing : str
    tolerance_mm, intended_level_mm : float or None
    covariates : tuple of (str, str)
        Further columns as they stand.
    """

    id: str
    before: str
    after: str = ""
    canal: str = ""
    group: str = ""
    pair: str = ""
    align: bool = False
    spacing: str = ""
    tolerance_mm: float | None = None
    intended_level_mm: float | None = None
    covariates: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class CohortTable:
    """All rows, and the names of the columns that are not the program's own."""

    path: str
    rows: tuple[CohortRow, ...]
    covariates: tuple[str, ...]

    @property
    def groups(self) -> tuple[str, ...]:
        """The groups in the order in which they come first."""
        return tuple(dict.fromkeys(row.group for row in self.rows if row.group))

    @property
    def paired(self) -> bool:
        """Whether some specimens belong together."""
        pairs = [row.pair for row in self.rows if row.pair]
        return len(set(pairs)) < len(pairs)


def read_table(path: Path) -> CohortTable:
    """Read a table in CSV with a header; paths count from the folder the table lies in.

    Raises
    ------
    UnreadableFile
        If it is missing, not CSV in UTF-8, or has no rows.
    MalformedText
        If a column is missing, an id is not one or used twice, or a value makes no sense.
    """
    head, lines = _read(path)
    missing = [name for name in ("id", "before") if name not in head]
    if missing:
        raise MalformedText(
            name=f"header of {path}",
            got=",".join(head),
            expected=f"a column {missing[0]!r}; known are {', '.join(OWN_COLUMNS)}",
            hint="Other columns are kept as covariates.",
        )
    covariates = tuple(name for name in head if name not in OWN_COLUMNS)
    rows = tuple(
        _row(number, line, covariates, path.parent) for number, line in enumerate(lines, 2)
    )
    _require_once(row.id for row in rows)
    return CohortTable(str(path), rows, covariates)


def _read(path: Path) -> tuple[tuple[str, ...], list[dict[str, str]]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as handle:
            reader = csv.DictReader(handle, strict=True, restkey="", restval="")
            head = tuple((name or "").strip() for name in reader.fieldnames or ())
            reader.fieldnames = list(head)
            lines = [
                {name: str(value).strip() for name, value in line.items()}
                for line in reader
                if any(str(value).strip() for value in line.values())
            ]
    except OSError as error:
        problem = f"cannot be read ({error.strerror})"
        raise UnreadableFile(path=str(path), problem=problem) from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise UnreadableFile(path=str(path), problem=f"is not CSV in UTF-8 ({error})") from None
    if not lines:
        raise UnreadableFile(path=str(path), problem="has no rows below a header")
    return head, lines


def _row(
    number: int, line: Mapping[str, str], covariates: tuple[str, ...], folder: Path
) -> CohortRow:
    name = line["id"]
    if not name or not all(c.isalnum() or c in "-_." for c in name) or name.startswith("."):
        raise MalformedText(
            name=f"id in line {number}",
            got=name,
            expected="letters, digits, '-', '_' and '.', not beginning with '.'",
        )
    if not line["before"]:
        raise MalformedText(name=f"before in line {number}", got="", expected="a path")
    return CohortRow(
        id=name,
        before=_path(line["before"], folder),
        after=_path(line.get("after", ""), folder),
        canal=line.get("canal", ""),
        group=line.get("group", ""),
        pair=line.get("pair", ""),
        align=line.get("align", "").lower() in _YES,
        spacing=line.get("spacing", ""),
        tolerance_mm=_number(line, "tolerance_mm", number),
        intended_level_mm=_number(line, "intended_level_mm", number),
        covariates=tuple((name, line.get(name, "")) for name in covariates),
    )


def _path(text: str, folder: Path) -> str:
    return str((folder / Path(text).expanduser()).resolve()) if text else ""


def _number(line: Mapping[str, str], name: str, number: int) -> float | None:
    text = line.get(name, "")
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        raise MalformedText(
            name=f"{name} in line {number}", got=text, expected="a number in mm"
        ) from None


def _require_once(names: Iterable[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise MalformedText(name="id", got=name, expected="used only once in a table")
        seen.add(name)
