"""Diameters of a canal that was traced on a radiograph, as far as they were seen."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.errors import UnreadableFile
from canalwright.exchange.canals import CanalRecord

__all__ = ["diameters_mm", "projected_cautions"]

Floats = NDArray[np.float64]

_UNSEEN_APICAL_MM: Final = 2.0
_TREND_MM: Final = 3.0
_LEAST_SHARE: Final = 0.5

_HINT: Final = "Measure the canal in a volume, or trace it where both its edges can be seen."


def diameters_mm(record: CanalRecord, where: str) -> Floats:
    """Return a diameter for every level; gaps of a trace are filled as its cautions say.

    Raises
    ------
    UnreadableFile
        If a traced canal shows no width at all, or none in its apical 2 mm: what an instrument
        meets there would be a guess.
    """
    width = np.asarray(record.diameter_mm, float)
    seen = np.isfinite(width)
    if np.all(seen):
        return width
    level = np.asarray(record.level_mm, float)
    if not np.any(seen):
        problem = (
            "a canal traced on a radiograph has no depth, and here no width could be told either, "
            "so no instrument can be set against it"
        )
        raise UnreadableFile(path=where, problem=problem, hint=_HINT)
    lowest = float(level[seen][0])
    if lowest > _UNSEEN_APICAL_MM:
        problem = (
            f"no width of this traced canal is known below {lowest:.1f} mm from the terminus, so "
            "what an instrument meets there would be a guess"
        )
        raise UnreadableFile(path=where, problem=problem, hint=_HINT)
    filled = np.interp(level, level[seen], width[seen])
    below = level < lowest
    filled[below] = _continued(level[seen], width[seen], level[below])
    return np.asarray(filled, float)


def _continued(level: Floats, width: Floats, wanted: Floats) -> Floats:
    """Carry the taper of the lowest widths on toward the terminus, never wider."""
    near = level <= level[0] + _TREND_MM
    taper = float(np.polyfit(level[near], width[near], 1)[0]) if np.sum(near) > 2 else 0.0
    narrowed = width[0] - max(taper, 0.0) * (level[0] - wanted)
    return np.asarray(np.maximum(narrowed, _LEAST_SHARE * width[0]), float)


def projected_cautions(record: CanalRecord) -> tuple[Caution, ...]:
    """Return what a canal with sections from projected widths must carry."""
    return tuple(_cautions(record))


def _cautions(record: CanalRecord) -> Iterator[Caution]:
    yield Caution(
        "SECTIONS_FROM_PROJECTION",
        "The sections of this canal are circles of the width seen in a radiograph. Its other "
        "width, its depth, all dentin and the bend toward the viewer are unknown: a step or a "
        "load computed on it is an illustration, not a plan for a patient.",
        "project rule",
    )
    missing = sum(width is None for width in record.diameter_mm)
    if missing:
        yield Caution(
            "WIDTHS_FILLED",
            f"At {missing} of {len(record.diameter_mm)} levels no width could be told; gaps were "
            "bridged in a straight line, and toward the terminus the taper seen above was "
            "continued.",
            "project rule",
        )
