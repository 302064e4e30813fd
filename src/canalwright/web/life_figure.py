"""A small drawing of the life that an instrument has used up, station by station."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from canalwright.records.lives import Life

__all__ = ["draw_life"]

_PX_PER_MM: Final = 12.0
_HEIGHT_PX: Final = 54.0
_ROOM: Final = 1.15
_LABELS_PX: Final = 16.0
_LABEL_EVERY_MM: Final = 4


def draw_life(life: Life, *, labels: bool = False) -> str:
    """Return the share of mean life used over the stations, tip at the left, as SVG.

    Parameters
    ----------
    life : Life
    labels : bool
        Whether stations and the share to discard at are written.
    """
    if not life.damage:
        return '<span class="soft">no estimate</span>'
    limit = life.instrument.most_life_share
    full = _ROOM * max(limit, life.worst_damage)
    first, last = life.station_mm[0], max(life.station_mm[-1], life.station_mm[0] + 1.0)
    width = _PX_PER_MM * (last - first)
    points = [
        (_PX_PER_MM * (s - first), _HEIGHT_PX * (1.0 - d / full))
        for s, d in zip(life.station_mm, life.damage, strict=True)
    ]
    line = " ".join(f"L{x:.1f} {y:.1f}" for x, y in points)
    at_limit = _HEIGHT_PX * (1.0 - limit / full)
    color = "var(--bad)" if life.worst_damage >= limit else "var(--teal)"
    written = _labels(first, last, at_limit, limit) if labels else ""
    box = (
        f"0 0 {width + (2 * _LABELS_PX if labels else 0):.1f} "
        f"{_HEIGHT_PX + (_LABELS_PX if labels else 1):.1f}"
    )
    return (
        f'<svg class="life" role="img" aria-label="{escape(_name(life))}" viewBox="{box}">'
        f'<path d="M{points[0][0]:.1f} {_HEIGHT_PX:g}{line}L{points[-1][0]:.1f} {_HEIGHT_PX:g}Z" '
        f'style="fill:{color}"/>'
        f'<path d="M0 {at_limit:.1f}H{width:.1f}" stroke="var(--bad)" stroke-dasharray="4 3"/>'
        f'<path d="M0 {_HEIGHT_PX:g}H{width:.1f}" stroke="var(--edge)"/>{written}</svg>'
    )


def _name(life: Life) -> str:
    return (
        f"{100 * life.worst_damage:.0f} % of mean life used at {life.worst_station_mm:g} mm from "
        f"the tip; discarded at {100 * life.instrument.most_life_share:.0f} %"
    )


def _labels(first_mm: float, last_mm: float, at_limit: float, limit: float) -> str:
    below = _HEIGHT_PX + 0.75 * _LABELS_PX
    stations = range(int(first_mm), int(last_mm) + 1, _LABEL_EVERY_MM)
    ticks = "".join(
        f'<text x="{_PX_PER_MM * (s - first_mm):.1f}" y="{below:.1f}">'
        f"{'tip' if s == 0 else f'{s} mm'}</text>"
        for s in stations
    )
    end = _PX_PER_MM * (last_mm - first_mm) + 3.0
    return f'{ticks}<text x="{end:.1f}" y="{at_limit + 3:.1f}">{100 * limit:.0f} %</text>'
