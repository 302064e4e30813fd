"""Ways that lead round: an orifice and a terminus that belong to two canals.

Two points of different canals are joined by a dark way too, up through the chamber and down the
other canal. Such a way leaves its orifice away from the terminus, or is far longer than a canal
between two points that near each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution

__all__ = ["Detour", "detour_caution", "detour_of"]

Floats = NDArray[np.float64]

# Tried on one real molar and three phantoms: of 29 right pairs the way was at most 1.09 times the
# chord and left the orifice at most 31° off it; of 25 wrong pairs at least 1.28 times or 98°.
_LONG_RATIO, _AWAY_DEG = 1.25, 75.0
_START_MM = 1.0


@dataclass(frozen=True, slots=True)
class Detour:
    """How a way differs from that of a canal.

    Attributes
    ----------
    length_mm, chord_mm : float
        Along the way, and straight between its ends.
    away_deg : float
        Angle between the way's first millimeter from the orifice and the direction to the
        terminus, 0 to 180.
    beyond_mm : float
        How far the way runs coronally past the orifice, along the chord.
    widest_mm : float
        Largest equivalent diameter on the way.
    """

    length_mm: float
    chord_mm: float
    away_deg: float
    beyond_mm: float
    widest_mm: float

    @property
    def leads_round(self) -> bool:
        """Whether no canal between the two points would run like this."""
        return self.away_deg > _AWAY_DEG or self.length_mm > _LONG_RATIO * self.chord_mm


def detour_of(canal: Canal) -> Detour:
    """Describe the way of a measured canal."""
    points = canal.centerline_mm
    chord = points[-1] - points[0]
    chord_mm = max(float(np.linalg.norm(chord)), 1e-9)
    start = points[int(np.argmin(np.abs(canal.level_mm - (canal.length_mm - _START_MM))))]
    first = points[-1] - start
    cosine = float(first @ chord) / max(float(np.linalg.norm(first)) * chord_mm, 1e-12)
    along = (points - points[0]) @ chord / chord_mm
    return Detour(
        length_mm=canal.length_mm,
        chord_mm=chord_mm,
        away_deg=float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))),
        beyond_mm=max(float(along.max()) - chord_mm, 0.0),
        widest_mm=float(canal.diameter_mm.max()),
    )


def detour_caution(canal: Canal) -> tuple[Caution, ...]:
    """Return a caution if the way between the two points leads round, with its numbers."""
    way = detour_of(canal)
    if not way.leads_round:
        return ()
    text = (
        f"The way between the two points is {way.length_mm:.1f} mm long, "
        f"{way.length_mm / way.chord_mm:.2f} times their distance of {way.chord_mm:.1f} mm (a "
        f"quarter of a circle has 1.11), leaves the orifice {way.away_deg:.0f}° off the direction "
        f"to the terminus"
    )
    if way.beyond_mm > 0.1:
        text += f", runs {way.beyond_mm:.1f} mm coronally past it"
    text += (
        f" and passes a place {way.widest_mm:.1f} mm wide: orifice and terminus may belong to two "
        "canals, joined through the chamber. Check the pair; nothing here describes one canal."
    )
    return (Caution("WAY_LEADS_ROUND", text, "project rule"),)
