"""What must be known before leaning on a canal that was traced on a radiograph."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.cautions import Caution

if TYPE_CHECKING:
    from canalwright.imaging.tracing import TracedCanal

__all__ = ["PROJECTED_WIDTH", "PROJECTION", "trace_cautions"]

PROJECTION: Final = Caution(
    "PROJECTION",
    "Traced on one radiograph: depth is unknown, so the true canal is at least as long as in this "
    "view (foreshortening), its true bend may be larger or smaller, and nothing is known of "
    "dentin.",
    "project rule",
)
PROJECTED_WIDTH: Final = Caution(
    "PROJECTED_WIDTH",
    "Diameters are widths projected onto this view, not equivalent diameters: how wide the canal "
    "is along the beam cannot be seen, and the blur of the picture is assumed.",
    "project rule",
)
_ENDS_AS_CLICKED: Final = Caution(
    "ENDS_AS_CLICKED",
    "Terminus and orifice are the points given, moved across the canal at most; the terminus of a "
    "canal often differs from the radiographic apex.",
    "common practice",
)


def trace_cautions(canal: TracedCanal) -> tuple[Caution, ...]:
    """Return all cautions of a canal traced in one view."""
    return (PROJECTION, _ENDS_AS_CLICKED, *_of_widths(canal), *_of_stretches(canal))


def _of_widths(canal: TracedCanal) -> Iterator[Caution]:
    seen = np.isfinite(canal.width_mm)
    if np.any(seen):
        yield PROJECTED_WIDTH
    if np.all(seen):
        return
    lowest = canal.level_mm[seen][0] if np.any(seen) else None
    where = (
        "anywhere"
        if lowest is None
        else f"at {np.mean(~seen):.0%} of the levels; the lowest one with a width is "
        f"{lowest:.1f} mm from the terminus"
    )
    text = f"The two edges of the canal could not be told {where}; widths are left out there."
    yield Caution("WIDTH_NOT_SEEN", text, "project rule")


def _of_stretches(canal: TracedCanal) -> Iterator[Caution]:
    looked_for = [s for s in canal.stretches if s.confidence is not None]
    if not looked_for:
        yield Caution(
            "TRACED_BY_POINTS",
            "The line runs through the points given; it was not moved to the dark canal. "
            "Curvature depends on how the points were set.",
            "project rule",
        )
        return
    kept = [s for s in looked_for if not s.snapped]
    if kept:
        levels = ", ".join(f"{s.start_level_mm:.1f} to {s.end_level_mm:.1f} mm" for s in kept)
        text = (
            f"No dark canal could be told from chance at levels {levels}; the line runs through "
            "the points given there."
        )
        yield Caution("CANAL_NOT_SEEN", text, "project rule")
