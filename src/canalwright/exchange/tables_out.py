"""Canals and plans as flat tables: CSV, and Parquet with units in its metadata."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from canalwright.errors import UnknownName
from canalwright.exchange.canals import CanalsDocument
from canalwright.exchange.document import Document
from canalwright.exchange.extras import needed
from canalwright.exchange.plans import PlanDocument

__all__ = ["TABLE_FORMATS", "FlatTable", "canals_table", "plan_table", "table_bytes"]

TABLE_FORMATS: Final = ("csv", "parquet")

_CANAL_COLUMNS: Final = (
    "level_mm", "diameter_mm", "diameter_sd_mm", "narrow_mm", "wide_mm", "dentin_min_mm",
    "dentin_min_sd_mm",
)  # fmt: skip
_STEP_COLUMNS: Final = (
    "instrument", "to_level_mm", "speed_rpm", "torque_limit_ncm", "stop_mm", "peak_torque_ncm",
    "torque_fraction", "peak_strain", "fatigue_fraction", "step_max_mm", "step_max_percent",
    "removed_mm3", "dentin_left_min_mm",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class FlatTable:
    """Rows under named columns; units stand in the names.

    Attributes
    ----------
    columns : tuple of str
    rows : tuple of tuples
        None where nothing is known.
    note : dict of str to str
        Schema, version, whether invented, and cautions.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    note: Mapping[str, str]


def canals_table(document: CanalsDocument) -> FlatTable:
    """Return one row for every level of every canal: sizes, dentin and the centerline."""
    columns = ("canal", *_CANAL_COLUMNS, "x_mm", "y_mm", "z_mm", "invented")
    invented = "yes" if document.invented else "no"
    rows = [
        (
            record.name,
            *(_value(getattr(record, key), at) for key in _CANAL_COLUMNS),
            *point,
            invented,
        )
        for record in document.canals
        for at, point in enumerate(record.centerline_mm)
    ]
    return FlatTable(columns, tuple(rows), _note(document))


def plan_table(document: PlanDocument) -> FlatTable:
    """Return one row for every step of every plan, the recommended one first (plan 1)."""
    invented = "yes" if document.invented else "no"
    rows = [
        (document.canal, number, at, *(getattr(step, key) for key in _STEP_COLUMNS), invented)
        for number, plan in enumerate(document.plans, start=1)
        for at, step in enumerate(plan.sequence, start=1)
    ]
    return FlatTable(
        ("canal", "plan", "step", *_STEP_COLUMNS, "invented"), tuple(rows), _note(document)
    )


def table_bytes(table: FlatTable, kind: str) -> bytes:
    """Return a table as a file.

    CSV is UTF-8 with a header line, empty where nothing is known. Parquet keeps the note as
    metadata under ``canalwright.…``.

    Raises
    ------
    UnknownName
        If the kind is none of `TABLE_FORMATS`.
    MissingExtra
        If Parquet is asked for and pyarrow is not installed.
    """
    if kind not in TABLE_FORMATS:
        raise UnknownName(kind="table format", got=kind, known=TABLE_FORMATS)
    return _csv(table.columns, table.rows) if kind == "csv" else _parquet(table)


def _csv(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(value) for value in row] for row in rows)
    return text.getvalue().encode()


def _cell(value: Any) -> Any:
    # A leading sign of a formula would be carried out by spreadsheets.
    dangerous = isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t")
    return f"'{value}" if dangerous else value


def _parquet(table: FlatTable) -> bytes:
    arrow = needed("pyarrow", purpose="Parquet", extra="cohort", library="pyarrow")
    parquet = needed("pyarrow.parquet", purpose="Parquet", extra="cohort", library="pyarrow")
    columns = {name: [row[at] for row in table.rows] for at, name in enumerate(table.columns)}
    note = {f"canalwright.{key}": value for key, value in table.note.items()}
    made = arrow.table(columns).replace_schema_metadata(note)
    sink = io.BytesIO()
    parquet.write_table(made, sink)
    return sink.getvalue()


def _value(values: Sequence[Any] | None, at: int) -> Any:
    return None if values is None else values[at]


def _note(document: Document) -> dict[str, str]:
    return {
        "schema": document.schema_,
        "version": document.version,
        "invented": "yes" if document.invented else "no",
        "cautions": "\n".join(f"{one.code}: {one.text}" for one in document.cautions),
    }
