"""Measured canals against the known truth of a phantom, quantity by quantity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.anatomy.curvature import summarize_curvature

__all__ = ["TruthRow", "against_truth"]

Floats = NDArray[np.float64]

_LEVELS_MM = (1.0, 3.0, 5.0, 8.0, 11.0)
_CURVATURES = (
    ("schneider_deg", "Schneider angle", "°"),
    ("pruett_deg", "Pruett angle", "°"),
    ("pruett_radius_mm", "Pruett radius", "mm"),
    ("max_per_mm", "largest curvature", "1/mm"),
)


@dataclass(frozen=True, slots=True)
class TruthRow:
    """One quantity found and known.

    Attributes
    ----------
    canal, quantity, unit : str
    level_mm : float or None
        Level it is taken at; None for quantities of the whole canal.
    found, true : float
    sd : float
        Standard deviation that the measurement states; NaN where it states none.
    """

    canal: str
    quantity: str
    unit: str
    level_mm: float | None
    found: float
    true: float
    sd: float

    @property
    def difference(self) -> float:
        """Found minus true."""
        return self.found - self.true


def against_truth(
    found: Canal, true: Canal, levels_mm: Sequence[float] = _LEVELS_MM
) -> tuple[TruthRow, ...]:
    """Compare a measured canal with the truth.

    Parameters
    ----------
    found, true : Canal
    levels_mm : sequence of float
        Levels for diameters and dentin; those beyond either canal are left out.

    Returns
    -------
    tuple of TruthRow
        Length, then diameter, narrow width and thinnest dentin per level, then curvature.
    """
    end = min(found.length_mm, true.length_mm)
    levels = np.asarray([level for level in levels_mm if level <= end], float)
    length = TruthRow(
        found.name, "length", "mm", None, found.length_mm, true.length_mm, float("nan")
    )
    per_level = (
        ("diameter", found.diameter_mm, true.diameter_mm, found.diameter_sd_mm),
        ("narrow width", found.narrow_mm, true.narrow_mm, found.narrow_sd_mm),
        ("thinnest dentin", found.dentin_min_mm, true.dentin_min_mm, found.dentin_sd_mm),
    )
    tracks = [
        row
        for name, value, truth, sd in per_level
        for row in _track(found, true, name, value, truth, sd, levels)
    ]
    return (length, *tracks, *_curvature(found, true))


def _track(
    found: Canal,
    true: Canal,
    name: str,
    value: Floats,
    truth: Floats,
    sd: Floats,
    levels: Floats,
) -> list[TruthRow]:
    at_found = np.interp(levels, found.level_mm, value)
    at_true = np.interp(levels, true.level_mm, truth)
    at_sd = np.interp(levels, found.level_mm, sd)
    return [
        TruthRow(found.name, name, "mm", float(level), float(f), float(t), float(s))
        for level, f, t, s in zip(levels, at_found, at_true, at_sd, strict=True)
    ]


def _curvature(found: Canal, true: Canal) -> list[TruthRow]:
    summary, truth = summarize_curvature(found), summarize_curvature(true)
    return [
        TruthRow(
            found.name,
            label,
            unit,
            None,
            float(getattr(summary, key)),
            float(getattr(truth, key)),
            float("nan"),
        )
        for key, label, unit in _CURVATURES
    ]
