"""What was expected of a canal, from a ``shape@1`` or a ``plan@1`` document."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from pydantic import Field

from canalwright.errors import UnreadableFile
from canalwright.exchange.document import Document, NotNegative, Positive, Record, read_document
from canalwright.shaping.expected import ExpectedShape

__all__ = ["read_expected"]


class _ShapePart(Document):
    """What is needed of a simulated sequence."""

    kind: ClassVar[str] = "canalwright/shape@1"

    canal: str
    level_mm: list[NotNegative] = Field(min_length=2)
    final_radius_mm: list[list[Positive]] = Field(min_length=2)


class _PlanRow(Record):
    """What is needed of one plan."""

    final_diameter_mm: list[Positive] = Field(min_length=2)


class _PlanPart(Document):
    """What is needed of a plan; the first one is the recommended one."""

    kind: ClassVar[str] = "canalwright/plan@1"

    canal: str
    level_mm: list[NotNegative] = Field(min_length=2)
    plans: list[_PlanRow] = Field(min_length=1)


def read_expected(path: Path, *canals: str) -> tuple[str, ExpectedShape, Document]:
    """Read the canal that a simulation or a plan leaves.

    Parameters
    ----------
    path : Path
    *canals : str
        Names of the canals that were evaluated.

    Returns
    -------
    tuple
        Name of the canal it is about, what is expected of it, and the document.

    Raises
    ------
    UnreadableFile
        If it cannot be read, is for none of these canals, or its levels and sections do not agree.
    """
    part: _ShapePart | _PlanPart
    if _schema(path) == _PlanPart.kind:
        part = read_document(path, _PlanPart)
        values: Any = np.asarray(part.plans[0].final_diameter_mm, float)
    else:
        part = read_document(path, _ShapePart)
        values = _even(path, part.final_radius_mm)
    _check(path, part, canals, len(values))
    level = np.asarray(part.level_mm, float)
    if values.ndim == 1:
        return part.canal, ExpectedShape(str(path), level, diameter_mm=values), part
    return part.canal, ExpectedShape(str(path), level, radius_mm=values), part


def _check(path: Path, part: _ShapePart | _PlanPart, canals: tuple[str, ...], count: int) -> None:
    if part.canal not in canals:
        evaluated = ", ".join(repr(canal) for canal in canals)
        raise UnreadableFile(
            path=str(path), problem=f"it is about canal {part.canal!r}, evaluated was {evaluated}"
        )
    if count != len(part.level_mm):
        raise UnreadableFile(
            path=str(path), problem=f"it holds {len(part.level_mm)} levels but {count} sections"
        )


def _even(path: Path, rows: list[list[float]]) -> Any:
    if len({len(row) for row in rows}) != 1:
        raise UnreadableFile(path=str(path), problem="its sections differ in number of directions")
    return np.asarray(rows, float)


def _schema(path: Path) -> str:
    """Return the schema a file states; what is wrong with the file is told by its reader."""
    try:
        found = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return ""
    return str(found.get("schema", "")) if isinstance(found, dict) else ""
