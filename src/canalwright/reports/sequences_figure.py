"""Sequences side by side: what each leaves and asks for, over the levels of one canal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.anatomy.canal import Canal, Floats
from canalwright.planning.simulation import Simulation
from canalwright.reports.style import (
    BODY_PT,
    GRID_COLOR,
    HEAD_PT,
    INK,
    LIMIT_COLOR,
    MUTED,
    add_axes_mm,
    drawing,
    figure_mm,
    figure_text_mm,
    instrument_style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["sequences_figure"]

Named = Sequence[tuple[str, Simulation]]

_LEFT_MM: Final = 13.0
_TOP_MM: Final = 26.0
_GAP_MM: Final = 4.0
_LINE_MM: Final = 5.0
_KEY_MM: Final = 12.0


def sequences_figure(
    canal: Canal,
    compared: Named,
    *,
    size_mm: tuple[float, float] = (180.0, 150.0),
    title: str = "",
) -> Figure:
    """Draw two or more sequences on one canal.

    Parameters
    ----------
    canal : Canal
    compared : sequence of (name, Simulation)
        All on this canal.
    size_mm : tuple of float
    title : str

    Returns
    -------
    matplotlib.figure.Figure
        Over the level: canal before and after, largest step of any instrument, dentin left, and
        the largest torque of any instrument, summed from its tip up.
    """
    tracks: tuple[tuple[str, str, float, Callable[[Axes, Canal, Named], None]], ...] = (
        ("Canal after", "inscribed, mm", 1.2, _draw_canal),
        ("Largest step", "% of width", 1.2, _draw_steps),
        ("Dentin left", "thinnest, mm", 1.0, _draw_dentin),
        ("Torque", "N·cm, estimate", 1.0, _draw_torque),
    )
    width, height = size_mm
    below = _LINE_MM * (len(compared) + 1) + 4.0
    per_share = (width - _LEFT_MM - 4.0 - _GAP_MM * (len(tracks) - 1)) / sum(t[2] for t in tracks)
    with drawing():
        figure = figure_mm(width, height)
        heading = title or f"Canal {canal.name}: sequences side by side"
        figure_text_mm(figure, 3.0, 2.0, heading, fontsize=12.0, fontweight="bold")
        if canal.provenance.invented:
            figure_text_mm(figure, 3.0, 8.0, "INVENTED DATA – NOT A PATIENT", fontweight="bold")
        left, first = _LEFT_MM, None
        for head, unit, share, draw in tracks:
            wide = share * per_share
            axes = add_axes_mm(figure, left, _TOP_MM, wide, height - _TOP_MM - below, sharey=first)
            axes.set_gid(head.lower())
            _prepare(axes, canal, labeled=first is None)
            draw(axes, canal, compared)
            middle = left + wide / 2.0
            figure_text_mm(
                figure, middle, 13.0, head, ha="center", fontsize=HEAD_PT, fontweight="bold"
            )
            figure_text_mm(figure, middle, 17.0, unit, ha="center")
            first = axes if first is None else first
            left += wide + _GAP_MM
        _draw_key(figure, compared, height - below + 3.0, width)
    return figure


def _prepare(axes: Axes, canal: Canal, *, labeled: bool) -> None:
    axes.set_ylim(-0.5, canal.length_mm + 0.5)
    for level in range(int(canal.length_mm) + 1):
        axes.axhline(level, color=GRID_COLOR, lw=0.9 if level % 5 == 0 else 0.4, zorder=1)
    axes.xaxis.set_ticks_position("top")
    axes.tick_params(axis="x", labelsize=BODY_PT, length=2.5, pad=1.5)
    axes.tick_params(axis="y", length=0, labelleft=labeled, labelsize=BODY_PT)
    if labeled:
        axes.set_yticks(range(0, int(canal.length_mm) + 1))
        axes.set_ylabel("level, mm from the terminus", fontsize=BODY_PT, labelpad=2.0)


def _draw_canal(axes: Axes, _canal: Canal, compared: Named) -> None:
    first = compared[0][1]
    level = first.start.level_mm
    axes.plot(first.start.inscribed_mm, level, color=MUTED, lw=1.0, zorder=2)
    wanted = first.target.diameter_mm(level)
    shown = np.where(wanted > 0.0, wanted, np.nan)
    axes.plot(shown, level, color=INK, lw=1.3, ls=(0, (2, 1)), zorder=6)
    for index, (_, one) in enumerate(compared):
        axes.plot(one.plan.final.inscribed_mm, level, zorder=4, **instrument_style(index))
    _from_zero(axes)


def _draw_steps(axes: Axes, _canal: Canal, compared: Named) -> None:
    limits = compared[0][1].limits
    for index, (_, one) in enumerate(compared):
        largest = _largest(one, [s.step.step_percent for s in one.plan.steps])
        axes.plot(largest, one.start.level_mm, zorder=4, **instrument_style(index))
    for value, text in (
        (limits.step_percent.value, "limit, engine"),
        (limits.hand_step_percent.value, "limit, hand"),
    ):
        axes.axvline(value, color=LIMIT_COLOR, lw=1.0, ls="dashed", zorder=3)
        axes.annotate(
            f"{text} {value:g} %",
            (value, 0.99),
            xycoords=("data", "axes fraction"),
            xytext=(-1.0, 0.0),
            textcoords="offset points",
            rotation=90,
            ha="right",
            va="top",
            fontsize=BODY_PT,
            color=LIMIT_COLOR,
        )
    _from_zero(axes)


def _draw_dentin(axes: Axes, _canal: Canal, compared: Named) -> None:
    first = compared[0][1]
    if np.isnan(first.start.dentin_min_mm).all():
        axes.text(0.5, 0.5, "root surface\nnot known", transform=axes.transAxes, rotation=90,
                  ha="center", va="center", color=MUTED)  # fmt: skip
        return
    axes.plot(first.start.dentin_min_mm, first.start.level_mm, color=MUTED, lw=1.0, zorder=2)
    for index, (_, one) in enumerate(compared):
        left = one.plan.final.dentin_min_mm
        axes.plot(left, one.start.level_mm, zorder=4, **instrument_style(index))
    _from_zero(axes)


def _draw_torque(axes: Axes, _canal: Canal, compared: Named) -> None:
    for index, (_, one) in enumerate(compared):
        largest = _largest(one, [s.loads.torque_ncm for s in one.plan.steps])
        axes.plot(largest, one.start.level_mm, zorder=4, **instrument_style(index))
    _from_zero(axes)


def _largest(one: Simulation, rows: Sequence[Floats]) -> Floats:
    """Return the largest of several rows per level; 0 where no row has a value."""
    if not rows:
        return np.zeros(len(one.start.level_mm))
    return np.asarray(np.nan_to_num(np.array(rows, float)).max(axis=0), float)


def _from_zero(axes: Axes) -> None:
    axes.set_xlim(0.0, max(axes.get_xlim()[1], 0.05))
    axes.locator_params(axis="x", nbins=4)


def _draw_key(figure: Figure, compared: Named, top_mm: float, width_mm: float) -> None:
    rows = len(compared) + 1
    axes = add_axes_mm(figure, 3.0, top_mm, width_mm - 6.0, _LINE_MM * rows, gid="key")
    axes.set_xlim(0.0, width_mm - 6.0)
    axes.set_ylim(rows, 0.0)
    axes.set_axis_off()
    for row, (name, one) in enumerate(compared):
        axes.plot([0.0, _KEY_MM], [row + 0.5, row + 0.5], **instrument_style(row))
        s = one.summary
        text = (
            f"{name}: {s.passes} passes, {s.time_s:.0f} s, {s.removed_mm3:.2f} mm³, at most "
            f"{100.0 * s.torque_fraction:.0f} % of strength, limits broken: {s.broken}"
        )
        axes.text(_KEY_MM + 2.0, row + 0.5, text, va="center", fontsize=BODY_PT)
    axes.plot([0.0, _KEY_MM], [rows - 0.5, rows - 0.5], color=MUTED, lw=1.0)
    axes.text(_KEY_MM + 2.0, rows - 0.5, "before; dotted: target. Estimates, instrument centered.",
              va="center", fontsize=BODY_PT, color=MUTED)  # fmt: skip
