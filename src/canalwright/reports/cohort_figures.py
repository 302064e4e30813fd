"""Figures of cohorts: values by group, distributions by protocol, what was drawn."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.reports.style import (
    GRID_COLOR,
    MUTED,
    add_axes_mm,
    drawing,
    figure_mm,
    figure_text_mm,
    instrument_style,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["distributions_figure", "groups_figure", "traits_figure"]

Floats = NDArray[np.float64]

_WIDTH_MM, _COLUMNS = 180.0, 3
_PANEL_MM, _ROW_MM, _LEFT_MM, _TOP_MM = (44.0, 34.0), 52.0, 14.0, 16.0
_MARKERS: Final = ("o", "s", "^", "D", "v", "P", "X", "*")
_MOST_POINTS: Final = 400


def groups_figure(values: Mapping[str, Mapping[str, Floats]], labels: Mapping[str, str]) -> Figure:
    """Draw every value of every measure by group, with mean and 95 % limits of the mean.

    Parameters
    ----------
    values : mapping of measure to mapping of group to ndarray
    labels : mapping of str to str
        What a measure is called.
    """
    with drawing():
        figure, axes = _panels(len(values), _group_key(next(iter(values.values()), {})))
        for panel, (measure, groups) in zip(axes, values.items(), strict=True):
            for place, (_, one) in enumerate(groups.items()):
                _strip(panel, place, one)
            panel.set_xticks(range(len(groups)), [str(k + 1) for k in range(len(groups))])
            panel.set_xlim(-0.6, len(groups) - 0.4)
            _head(panel, labels.get(measure, measure))
        return figure


def distributions_figure(
    values: Mapping[str, Mapping[str, Floats]], labels: Mapping[str, str]
) -> Figure:
    """Draw the share of canals up to every value of every measure, one line per protocol."""
    with drawing():
        names = list(next(iter(values.values()), {}))
        figure, axes = _panels(len(values), "")
        for panel, (measure, protocols) in zip(axes, values.items(), strict=True):
            for place, (_, one) in enumerate(protocols.items()):
                _cumulative(panel, place, one)
            panel.set_ylim(0.0, 1.0)
            _head(panel, labels.get(measure, measure))
        _legend(figure, names)
        return figure


def traits_figure(values: Mapping[str, Floats], labels: Mapping[str, str]) -> Figure:
    """Draw how what was drawn is spread."""
    with drawing():
        figure, axes = _panels(len(values), "share of canals per bar")
        for panel, (name, one) in zip(axes, values.items(), strict=True):
            known = one[np.isfinite(one)]
            weight = np.full(known.size, 1.0 / max(known.size, 1))
            panel.hist(known, bins=30, weights=weight, color="#8fb8d0", edgecolor=MUTED, lw=0.3)
            _head(panel, labels.get(name, name))
        return figure


def _panels(count: int, note: str) -> tuple[Figure, list[Any]]:
    rows = math.ceil(count / _COLUMNS)
    figure = figure_mm(_WIDTH_MM, _TOP_MM + rows * _ROW_MM)
    if note:
        figure_text_mm(figure, 4.0, 3.0, note, color=MUTED)
    axes = []
    for number in range(count):
        row, column = divmod(number, _COLUMNS)
        left = _LEFT_MM + column * (_WIDTH_MM - 8.0) / _COLUMNS
        axes.append(add_axes_mm(figure, left, _TOP_MM + row * _ROW_MM, *_PANEL_MM))
    return figure, axes


def _head(panel: Any, title: str) -> None:
    panel.set_title(title, fontsize=8.0, loc="left")
    panel.grid(color=GRID_COLOR, lw=0.4)
    panel.set_axisbelow(True)
    panel.tick_params(labelsize=7.5)
    panel.spines[["top", "right"]].set_visible(False)


def _strip(panel: Any, place: int, values: Floats) -> None:
    known = values[np.isfinite(values)][:_MOST_POINTS]
    color = instrument_style(place)["color"]
    # Points side by side by rank within the group: the same picture for the same values.
    across = place + 0.18 * np.sin(2.4 * np.arange(known.size))
    marker = _MARKERS[place % len(_MARKERS)]
    panel.plot(across, known, marker, ms=2.6, mfc="none", mec=color, mew=0.7)
    if known.size > 1:
        half = 1.96 * known.std(ddof=1) / math.sqrt(known.size)
        panel.errorbar(
            place + 0.34, known.mean(), half, fmt=marker, color=color, ms=4.0, capsize=2.5, lw=1.2
        )


def _cumulative(panel: Any, place: int, values: Floats) -> None:
    known = np.sort(values[np.isfinite(values)])
    if not known.size:
        return
    share = np.linspace(0.0, 1.0, min(known.size, 400))
    panel.plot(np.quantile(known, share), share, **instrument_style(place))


def _group_key(groups: Mapping[str, Floats]) -> str:
    return "   ".join(f"{k}: {name}" for k, name in enumerate(groups, 1))


def _legend(figure: Figure, names: Sequence[str]) -> None:
    from matplotlib.lines import Line2D

    handles = [Line2D([], [], **instrument_style(k)) for k in range(len(names))]
    figure.legend(
        handles, names, loc="upper left", ncols=min(len(names), 3), frameon=False, fontsize=8.0
    )
