"""Centerlines with widths from a CSV file, as canals."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

import numpy as np

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.errors import FaultyRows, UnreadableFile
from canalwright.exchange.canals import CanalRecord, ProvenanceRecord
from canalwright.exchange.canals_in import canal_from_record
from canalwright.exchange.inputs import file_digest

__all__ = ["FROM_A_TABLE", "read_centerlines"]

FROM_A_TABLE: Final = Caution(
    "FROM_A_TABLE",
    "Centerline and widths were read from a table: how they were measured, and how sure they are, "
    "is not known here.",
    "project rule",
)

_NEEDED: Final = ("x_mm", "y_mm", "z_mm")
_WIDTHS: Final = ("diameter_mm", "radius_mm", "narrow_mm", "wide_mm", "dentin_min_mm")
_INVENTED: Final = "invented"
_LARGEST_BYTES: Final = 20_000_000

Row = dict[str, float]


def read_centerlines(path: Path, *, orifice_first: bool = False) -> tuple[Canal, ...]:
    """Read canals from a CSV file with a header line.

    Columns ``x_mm``, ``y_mm``, ``z_mm``, and ``diameter_mm`` or ``radius_mm``; also ``canal``
    (name), ``narrow_mm`` with ``wide_mm``, ``dentin_min_mm``, ``invented`` (yes). Rows run from the
    terminus to the orifice.

    Parameters
    ----------
    path : Path
    orifice_first : bool
        Rows run the other way.

    Raises
    ------
    UnreadableFile
        If the file or a column is missing.
    FaultyRows
        If a value is no number in mm, or a canal has fewer than two points.
    """
    rows = _rows(path)
    return tuple(
        _canal(name, points[::-1] if orifice_first else points, path)
        for name, points in rows.items()
    )


def _rows(path: Path) -> dict[str, list[Row]]:
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise UnreadableFile(path=str(path), problem="larger than any centerline")
        lines = path.read_text("utf-8-sig").splitlines()
    except OSError as error:
        raise UnreadableFile(path=str(path), problem=f"cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise UnreadableFile(path=str(path), problem="not UTF-8 text") from None
    reader = csv.DictReader(lines)
    columns = tuple(name.strip() for name in reader.fieldnames or ())
    reader.fieldnames = list(columns)
    _require_columns(path, columns)
    found: dict[str, list[Row]] = {}
    faults: list[str] = []
    count = 0
    for count, raw in enumerate(reader, start=1):
        row = _numbers(raw, count, columns, faults)
        row[_INVENTED] = float((raw.get(_INVENTED) or "").strip().lower() == "yes")
        found.setdefault((raw.get("canal") or "canal").strip(), []).append(row)
    faults += [f"canal {name} has fewer than 2 points" for name in found if len(found[name]) < 2]
    if faults or not found:
        raise FaultyRows(path=str(path), rows=count, faults=tuple(faults) or ("it has no rows",))
    return found


def _require_columns(path: Path, columns: tuple[str, ...]) -> None:
    missing = [name for name in _NEEDED if name not in columns]
    if not {"diameter_mm", "radius_mm"} & set(columns):
        missing.append("diameter_mm (or radius_mm)")
    if missing:
        raise UnreadableFile(
            path=str(path),
            problem=f"has no column {', '.join(missing)}",
            hint="The first line names the columns, with their unit: x_mm,y_mm,z_mm,diameter_mm.",
        )


def _numbers(raw: dict[str, str], at: int, columns: tuple[str, ...], faults: list[str]) -> Row:
    row: Row = {}
    for name in columns:
        if name not in _NEEDED + _WIDTHS:
            continue
        try:
            row[name] = float(raw.get(name) or "")
            if not np.isfinite(row[name]):
                raise ValueError
        except ValueError:
            faults.append(f"row {at}, column {name}: {raw.get(name)!r} is not a number in mm")
            row[name] = np.nan
    return row


def _canal(name: str, rows: list[Row], path: Path) -> Canal:
    points = np.array([[row[key] for key in _NEEDED] for row in rows])
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    level = np.concatenate([[0.0], np.cumsum(steps)])
    double = 1.0 if "diameter_mm" in rows[0] else 2.0
    width = "diameter_mm" if "diameter_mm" in rows[0] else "radius_mm"
    data: dict[str, object] = {
        "name": name,
        "level_mm": level.tolist(),
        "centerline_mm": points.tolist(),
        "diameter_mm": [row[width] * double for row in rows],
        **{
            key: [row[key] for row in rows]
            for key in ("narrow_mm", "wide_mm", "dentin_min_mm")
            if key in rows[0]
        },
        "provenance": ProvenanceRecord(
            source=path.name,
            sha256=file_digest(path),
            methods=["centerline-table"],
            invented=any(row[_INVENTED] for row in rows),
        ),
    }
    record = _validated(data, path)
    return canal_from_record(record, str(path)).with_cautions(FROM_A_TABLE)


def _validated(data: dict[str, object], path: Path) -> CanalRecord:
    from pydantic import ValidationError

    try:
        return CanalRecord.model_validate(data)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise UnreadableFile(
            path=str(path), problem=f"canal {data['name']!r}: {first['msg']}"
        ) from None
