"""The load figure: what the canal does to one instrument, as tracks over the levels."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from textwrap import wrap
from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.anatomy.canal import Floats
from canalwright.instruments.instrument import Alloy
from canalwright.mechanics.alloy_laws import STEEL_STRAIN_VALIDITY
from canalwright.mechanics.contacts import outward_directions
from canalwright.mechanics.fatigue import STRAIN_VALIDITY
from canalwright.mechanics.rod_in_canal import RodInCanal
from canalwright.planning.load_report import LoadReport
from canalwright.reports.load_tables import load_sentences
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
)
from canalwright.reports.text import named_instrument

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["load_figure"]

_LEFT_MM: Final = 13.0
_RIGHT_MM: Final = 8.0
_GAP_MM: Final = 5.0
_TOP_MM: Final = 33.0
_LINE_MM: Final = 4.2
_FILE: Final = "#0072b2"
_CANAL: Final = "#8c8c8c"
_ROOM: Final = "#e4e4e4"
_INNER: Final = "#d55e00"
_OUTER: Final = "#00795a"
_ACROSS: Final = "#a8488a"
_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|N|s|mm|rpm)\b|%)")
_LABELED_SHARE: Final = 0.1
_SPREAD_MM: Final = 0.4


@dataclass(frozen=True, slots=True)
class _Track:
    key: str
    head: str
    unit: str
    share: float
    draw: Callable[[Axes, LoadReport], None]


def load_figure(
    report: LoadReport,
    canal_name: str,
    *,
    invented: bool = False,
    size_mm: tuple[float, float] = (180.0, 215.0),
) -> Figure:
    """Draw the loads of one insertion as parallel tracks over the levels, terminus below.

    Parameters
    ----------
    report : LoadReport
    canal_name : str
    invented : bool
        Whether to mark the data as invented.
    size_mm : tuple of float
        Width and height of the figure in mm.

    Returns
    -------
    matplotlib.figure.Figure
        Where the instrument lies in its clearance, the curvature of canal and instrument, surface
        strain, wall forces by side, torque against yield and strength, and fatigue where a test
        point was given. A ring marks the worst station; every track's axes carry a name as `gid`.
    """
    width, height = size_mm
    letters = int((width - 6.0) / 1.65)
    words = [_UNIT.sub("\u00a0", text) for text in _words(report)]
    lines = [line for text in words for line in wrap(text, letters)]
    below = _LINE_MM * len(lines) + 3.0
    with drawing():
        figure = figure_mm(width, height)
        _draw_title(figure, report, canal_name, invented, width)
        _draw_tracks(figure, report, width, height - below - _LINE_MM - 8.0)
        _draw_key(figure, height - below - _LINE_MM - 3.0)
        top = height - below
        figure_text_mm(figure, 3.0, top, "\n".join(lines), color=MUTED, linespacing=1.2)
    return figure


def _words(report: LoadReport) -> list[str]:
    worst = report.limits[0]
    nearest = (
        f"Nearest to its limit: {worst.name}, {100.0 * worst.share:.0f} % of it ({worst.text}). "
        f"What would lower it: {worst.remedy}."
    )
    estimate = "All values are estimates of a model, not measurements; see the cautions."
    return [nearest, *load_sentences(report), estimate]


def _draw_title(
    figure: Figure, report: LoadReport, canal_name: str, invented: bool, width_mm: float
) -> None:
    level = report.done.made.tip_level_mm
    place = "the terminus" if abs(level) < 0.005 else f"level {level:g} mm"
    name = named_instrument(report.instrument)
    figure_text_mm(figure, 3.0, 2.0, f"{name} in {canal_name}", fontsize=12.0, fontweight="bold")
    figure_text_mm(figure, 3.0, 7.5, f"at rest with its tip at {place}")
    if invented:
        figure_text_mm(
            figure,
            width_mm - 4.0,
            2.6,
            "INVENTED DATA – NOT A PATIENT",
            ha="right",
            fontweight="bold",
            bbox={"boxstyle": "square,pad=0.3", "fc": "white", "ec": INK, "lw": 1.0},
        )


def _tracks(report: LoadReport) -> list[_Track]:
    tracks = [
        _Track("place", "File in\nits room", "inner ← µm → outer", 1.25, _draw_place),
        _Track("curvature", "Curvature", "1/mm", 1.2, _draw_curvature),
        _Track("strain", "Surface\nstrain", "%", 1.1, _draw_strain),
        _Track("forces", "Wall\nforces", "inner ← N/mm → outer", 1.35, _draw_forces),
        _Track("torque", "Torque", "N·cm", 1.2, _draw_torque),
    ]
    if report.loads.fatigue_used is not None:
        tracks.append(_Track("fatigue", "Fatigue\nused", "% of mean life", 1.0, _draw_fatigue))
    return tracks


def _draw_tracks(figure: Figure, report: LoadReport, width_mm: float, bottom_mm: float) -> None:
    tracks = _tracks(report)
    free = width_mm - _LEFT_MM - _RIGHT_MM - _GAP_MM * (len(tracks) - 1)
    per_share = free / sum(track.share for track in tracks)
    left, drawn = _LEFT_MM, list["Axes"]()
    for track in tracks:
        width, shared = track.share * per_share, drawn[0] if drawn else None
        axes = add_axes_mm(
            figure, left, _TOP_MM, width, bottom_mm - _TOP_MM, sharey=shared, gid=track.key
        )
        drawn.append(axes)
        _rule_levels(axes, report)
        track.draw(axes, report)
        _finish(axes)
        middle = left + width / 2.0
        figure_text_mm(
            figure, middle, 20.0, track.head, ha="center", va="bottom", fontsize=HEAD_PT,
            fontweight="bold", linespacing=1.1,
        )  # fmt: skip
        figure_text_mm(figure, middle, 21.5, track.unit, ha="center", fontsize=BODY_PT)
        left += width + _GAP_MM
    _number_levels(drawn[0], drawn[-1], report)


def _rule_levels(axes: Axes, report: LoadReport) -> None:
    level = report.loads.level_mm
    tip = report.done.made.tip_level_mm
    axes.set_ylim(min(tip, 0.0) - 0.3, float(level[-1]) + 0.3)
    for mark in np.arange(np.floor(level[-1]) + 1.0):
        axes.axhline(mark, color=GRID_COLOR, lw=0.9 if mark % 5.0 == 0.0 else 0.4, zorder=0.5)
    for end in (0.0, float(level[-1])):
        axes.axhline(end, color=INK, lw=1.3, zorder=0.8)
    if tip > 0.005:
        axes.axhspan(min(tip, 0.0) - 0.3, tip, color="#f4f4f4", lw=0, zorder=0.2)


def _finish(axes: Axes) -> None:
    axes.xaxis.set_ticks_position("top")
    axes.tick_params(axis="x", labelsize=BODY_PT, length=2.5, pad=1.5)
    axes.tick_params(axis="y", length=0, labelleft=False)
    axes.locator_params(axis="x", nbins=3)
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}".replace("-", "−"))


def _number_levels(first: Axes, last: Axes, report: LoadReport) -> None:
    levels = np.arange(0, int(np.floor(report.loads.level_mm[-1])) + 1)
    first.set_yticks(levels, [str(level) for level in levels])
    first.tick_params(axis="y", labelleft=True, labelsize=BODY_PT, pad=2.0)
    first.set_ylabel("level, mm from the terminus", fontsize=BODY_PT, labelpad=2.0)
    last.tick_params(axis="y", labelright=True, labelsize=BODY_PT, pad=2.0)


def _draw_place(axes: Axes, report: LoadReport) -> None:
    rod = report.insertion.rod
    inside = rod.level_mm <= report.loads.level_mm[-1]
    outward = outward_directions(rod)
    level, room = rod.level_mm[inside], 1000.0 * _room_mm(rod, outward)[inside]
    offset = 1000.0 * np.sum(rod.offset_mm * outward, axis=1)[inside]
    axes.fill_betweenx(level, -room, room, color=_ROOM, lw=0, zorder=1)
    axes.axvline(0.0, color=_CANAL, lw=0.8, ls=(0, (6, 2, 1, 2)), zorder=2)
    axes.plot(offset, level, color=_FILE, lw=1.6, zorder=4)
    reach = 1.2 * max(float(np.max(np.abs(offset))), float(np.quantile(room, 0.6)), 10.0)
    axes.set_xlim(-reach, reach)


def _room_mm(rod: RodInCanal, outward: Floats) -> Floats:
    """Return half the width that the oval room of the axis has along a direction."""
    path = rod.path
    wide = np.maximum(path.wall_radius_mm - rod.radius_mm, 0.0)
    narrow = np.maximum(path.narrow_radius_mm - rod.radius_mm, 0.0)
    turned = 0.0 if path.wide_direction_rad is None else path.wide_direction_rad
    angle = np.arctan2(outward[:, 1], outward[:, 0]) - turned
    return np.asarray(np.hypot(wide * np.cos(angle), narrow * np.sin(angle)), float)


def _draw_curvature(axes: Axes, report: LoadReport) -> None:
    level = report.loads.level_mm
    axes.plot(report.canal_curvature_per_mm, level, color=_CANAL, lw=1.6, zorder=3)
    axes.plot(report.file_curvature_per_mm, level, color=_FILE, lw=1.6, zorder=4)
    largest = np.nanmax([report.canal_curvature_per_mm, report.file_curvature_per_mm])
    axes.set_xlim(0.0, 1.1 * max(float(largest), 0.02))


def _draw_strain(axes: Axes, report: LoadReport) -> None:
    loads = report.loads
    steel = report.instrument.alloy is Alloy.STAINLESS
    limit = 100.0 * (STEEL_STRAIN_VALIDITY if steel else STRAIN_VALIDITY).high
    percent = 100.0 * loads.strain
    axes.plot(_on_file(percent, loads.station_mm), loads.level_mm, color=_FILE, lw=1.6, zorder=4)
    axes.axvline(limit, color=LIMIT_COLOR, lw=1.2, ls=(0, (5, 2)), zorder=3)
    _ring(axes, 100.0 * loads.peak_strain, loads.peak_strain_level_mm)
    axes.set_xlim(0.0, 1.15 * max(limit, float(percent.max())))


def _draw_forces(axes: Axes, report: LoadReport) -> None:
    rod = report.insertion.rod
    across = np.sum(rod.wall_direction * outward_directions(rod), axis=1)
    sides = (
        (across > 0.5, _OUTER, 1.0),
        (across < -0.5, _INNER, -1.0),
        ((across >= 0.0) & (across <= 0.5), _ACROSS, 1.0),
        ((across < 0.0) & (across >= -0.5), _ACROSS, -1.0),
    )
    most = 0.1
    for chosen, color, sign in sides:
        per_mm = _spread_n_per_mm(rod, np.where(chosen, rod.wall_force_n, 0.0))
        most = max(most, float(per_mm.max()))
        axes.fill_betweenx(rod.level_mm, 0.0, sign * per_mm, color=color, lw=0.6, zorder=3)
    axes.axvline(0.0, color=INK, lw=0.8, zorder=4)
    reach = 1.1 * most
    axes.set_xlim(-reach, reach)
    _label_contacts(axes, report, reach)


def _spread_n_per_mm(rod: RodInCanal, force_n: Floats) -> Floats:
    """Return forces per length, each spread over a short stretch so that none towers."""
    level, half = rod.level_mm, _SPREAD_MM / 2.0
    summed = np.concatenate([[0.0], np.cumsum(force_n)])
    first = np.searchsorted(level, level - half, side="left")
    last = np.searchsorted(level, level + half, side="right")
    reach = np.minimum(level + half, level[-1]) - np.maximum(level - half, level[0])
    return np.asarray((summed[last] - summed[first]) / reach, float)


def _label_contacts(axes: Axes, report: LoadReport, reach: float) -> None:
    contacts = report.insertion.contacts
    least = _LABELED_SHARE * max((contact.force_n for contact in contacts), default=0.0)
    outward = outward_directions(report.insertion.rod)
    for contact in contacts:
        if contact.force_n < least or contact.level_mm > report.loads.level_mm[-1]:
            continue
        node = int(np.abs(report.insertion.rod.level_mm - contact.level_mm).argmin())
        direction = np.array([np.cos(contact.direction_rad), np.sin(contact.direction_rad)])
        right = float(direction @ outward[node]) < 0.0  # the label on the empty side
        axes.text(
            0.06 * reach if right else -0.06 * reach,
            max(contact.level_mm, 0.25),
            f"{contact.force_n:.2f} N",
            ha="left" if right else "right",
            va="center",
            fontsize=BODY_PT,
            zorder=6,
        )


def _draw_torque(axes: Axes, report: LoadReport) -> None:
    loads = report.loads
    station, level = loads.station_mm, loads.level_mm
    axes.plot(_on_file(loads.capacity_ncm, station), level, color=LIMIT_COLOR, lw=1.2, zorder=3)
    axes.plot(
        _on_file(report.elastic_capacity_ncm, station),
        level,
        color=LIMIT_COLOR,
        lw=1.2,
        ls=(0, (5, 2)),
        zorder=3,
    )
    axes.plot(_on_file(loads.torque_ncm, station), level, color=_FILE, lw=1.6, zorder=4)
    worst = loads.torque_worst_station_mm + report.done.made.tip_level_mm
    _ring(axes, float(np.interp(worst, level, loads.torque_ncm)), worst)
    near = float(np.interp(worst, level, loads.capacity_ncm))
    axes.set_xlim(0.0, 1.2 * max(loads.peak_torque_ncm, min(near, 5.0 * loads.peak_torque_ncm)))


def _draw_fatigue(axes: Axes, report: LoadReport) -> None:
    loads = report.loads
    if loads.fatigue_used is None:
        return
    percent = 100.0 * loads.fatigue_used
    worst = int(np.argmax(percent))
    axes.plot(_on_file(percent, loads.station_mm), loads.level_mm, color=_FILE, lw=1.6, zorder=4)
    _ring(axes, float(percent[worst]), float(loads.level_mm[worst]))
    axes.set_xlim(0.0, 1.2 * max(float(percent[worst]), 1.0))


def _ring(axes: Axes, value: float, level_mm: float) -> None:
    axes.plot(
        [value], [level_mm], "o", mfc="none", mec=INK, mew=1.3, ms=7.0, zorder=7, clip_on=False
    )


def _on_file(values: Floats, station_mm: Floats) -> Floats:
    return np.where(station_mm >= -1e-9, values, np.nan)


def _draw_key(figure: Figure, top_mm: float) -> None:
    entries = (
        ("file", _FILE, "—"),
        ("canal", _CANAL, "—"),
        ("yield, limit", LIMIT_COLOR, "- -"),
        ("strength", LIMIT_COLOR, "—"),
        ("inner", _INNER, "■"),
        ("outer", _OUTER, "■"),
        ("across", _ACROSS, "■"),
        ("worst station", INK, "○"),
    )
    left = _LEFT_MM
    for word, color, mark in entries:
        figure_text_mm(figure, left, top_mm, mark, color=color, fontweight="bold")
        figure_text_mm(figure, left + 5.0, top_mm, word)
        left += 8.0 + 1.6 * len(word)
