"""Compile the search and the passes ahead of their first use, as a last step of installation.

Usage: ``python -m canalwright.planning.warm_up``.
"""

from __future__ import annotations

import numpy as np

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.geometry.sections import DIRECTIONS
from canalwright.instruments.standard import instrument_from_id
from canalwright.planning.planner import plan
from canalwright.planning.types import Target
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass

__all__ = ["compile_passes", "compile_search"]


def compile_search() -> None:
    """Plan a plain invented canal and forget it; the compiled search stays in the disk cache.

    Where the cache cannot be written this changes nothing but the time spent.
    """
    tray = [instrument_from_id(name) for name in ("hand-10-02", "hand-15-02", "engine-20-02")]
    plan(_plain_canal(), tray, Target(size=20, taper_mm_per_mm=0.02))


def compile_passes() -> None:
    """Shape a plain invented canal and forget it; the compiled passes stay in the disk cache."""
    shape_sequence(_plain_canal(), [Pass(instrument_from_id("hand-15-02"))])


def _plain_canal() -> Canal:
    level_mm = np.linspace(0.0, 10.0, 101)
    axis = np.column_stack([np.zeros_like(level_mm), np.zeros_like(level_mm), level_mm])
    radius_mm = np.repeat(0.09 + 0.01 * level_mm[:, None], DIRECTIONS, axis=1)
    return Canal(
        name="plain",
        level_mm=level_mm,
        centerline_mm=axis,
        direction0=np.tile([1.0, 0.0, 0.0], (len(level_mm), 1)),
        radius_mm=radius_mm,
        outer_radius_mm=radius_mm + 1.5,
        diameter_sd_mm=np.zeros_like(level_mm),
        narrow_sd_mm=np.zeros_like(level_mm),
        wide_sd_mm=np.zeros_like(level_mm),
        dentin_sd_mm=np.zeros_like(level_mm),
        provenance=Provenance(source="plain canal", invented=True),
    )


if __name__ == "__main__":
    compile_search()
    compile_passes()
