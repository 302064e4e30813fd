"""The picture of instruments side by side."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from canalwright.instruments.build import profiled_instrument
from canalwright.instruments.compare import compare_all
from canalwright.instruments.standard import find_instrument
from canalwright.reports.compare_figure import compare_figure

PROGRESSIVE = profiled_instrument(
    "invented-progressive", (0.0, 4.0, 8.0, 12.0, 16.0), (0.16, 0.26, 0.42, 0.62, 0.86)
)


def drawn(*others):
    instruments = (find_instrument("hand-15-02"), *others)
    figure = compare_figure(compare_all(instruments))
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return figure, {axes.get_gid(): axes for axes in figure.axes}, canvas


def words(axes):
    return [text.get_text() for text in axes.texts]


def bars(axes):
    """Stations between which a bar at the edge says that a pair may measure the same."""
    return [tuple(line.get_ydata()) for line in axes.get_lines() if line.get_gid() == "equal"]


def test_a_pair_shows_where_it_may_measure_the_same_and_how_it_parts():
    figure, axes, _ = drawn(PROGRESSIVE)
    diameter, difference = axes["diameter mm"], axes["difference mm"]
    assert bars(diameter) == [(0.0, pytest.approx(4.5))]
    assert {"may measure\nthe same", "hand 15/.02", "invented-progressive"} <= set(words(diameter))
    assert words(difference) == ["+0.01", "+0.03", "+0.11", "+0.23", "+0.39"]
    line = next(line for line in difference.get_lines() if len(line.get_xdata()) > 100)
    assert np.all(np.diff(line.get_xdata()) > 0.0)
    below = figure.texts[-1].get_text().replace("\n", " ")
    assert "from D0 to D4.5" in below
    assert "assumed for invented-progressive" in below


def test_several_are_told_apart_by_color_and_dash_and_named_inside_the_canvas():
    figure, axes, canvas = drawn(
        find_instrument("engine-20-04"), PROGRESSIVE, find_instrument("engine-15-06")
    )
    profiles = [line for line in axes["diameter mm"].get_lines() if len(line.get_xdata()) > 100]
    assert len({(line.get_color(), str(line.get_linestyle())) for line in profiles}) == 4
    names = words(axes["diameter mm"])
    assert names.count("engine 20/.04") == 1
    assert len(names) == 4
    renderer = canvas.get_renderer()
    for text in [t for one in figure.axes for t in one.texts] + figure.texts:
        extent = text.get_window_extent(renderer)
        assert extent.x1 <= figure.bbox.x1
        assert extent.y0 >= 0.0


def test_instruments_that_never_agree_have_no_bar():
    _, axes, _ = drawn(find_instrument("hand-60-02"))
    assert bars(axes["diameter mm"]) == []
