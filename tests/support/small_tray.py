"""A small tray and a curved canal that it shapes. All invented."""

from __future__ import annotations

from canalwright.instruments.standard import instrument_from_id
from canalwright.instruments.tray import Tray, TrayEntry
from support.canals import tapered_canal

__all__ = ["CANAL", "IDS", "TRAY"]

CANAL = tapered_canal(apical_mm=0.18, taper_mm_per_mm=0.035, curve_radius_mm=10.0, spacing_mm=0.2)
IDS = (
    "hand-15-02",
    "engine-20-04",
    "engine-25-02",
    "engine-25-04",
    "engine-30-02",
    "engine-30-04",
    "engine-40-06",
)
TRAY = Tray("small", tuple(TrayEntry(instrument_from_id(name)) for name in IDS))
