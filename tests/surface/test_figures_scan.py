from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from canalwright.imaging.scan import Scan
from canalwright.instruments.compare import compare
from canalwright.instruments.standard import instrument_from_id
from canalwright.reports.compare_figure import compare_figure
from canalwright.reports.scan_figures import overview_figure, sections_figure

VIEWS = ("from the front", "from the side", "from below")


def views_of(figure):
    return {axes.get_gid(): axes for axes in figure.axes}


def words_of(axes):
    return [t.get_text() for t in axes.texts]


def marked_scan(direction):
    """Return a dark volume with one bright voxel near its left, back and upper corner."""
    spacing = (0.5, 0.4, 0.3)
    voxels = np.zeros((20, 24, 28))
    scan = Scan(voxels, spacing, direction=direction, oriented=True)
    low, high = (scan.points_from_index(p) for p in ([0, 0, 0], [27, 23, 19]))
    corner = np.minimum(low, high) + 0.9 * np.abs(high - low)
    x, y, z = np.round(scan.index_from_points(corner)).astype(int)
    voxels[z, y, x] = 1000.0
    return scan, scan.points_from_index([x, y, z])


@pytest.mark.parametrize(
    "direction",
    [
        np.eye(3),
        np.diag([-1.0, -1.0, 1.0]),
        np.diag([1.0, 1.0, -1.0]),
        np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]]),
    ],
)
@pytest.mark.parametrize(("view", "right", "up"), [(0, 0, 2), (1, 1, 2), (2, 0, 1)])
def test_a_bright_point_is_drawn_where_it_lies_in_the_patient(canal, direction, view, right, up):
    scan, point_mm = marked_scan(direction)
    axes = views_of(overview_figure(scan, []))[VIEWS[view]]
    (image,) = axes.get_images()
    row, column = np.unravel_index(np.argmax(image.get_array()), image.get_array().shape)
    left, edge_right, bottom, edge_top = image.get_extent()
    rows, columns = image.get_array().shape
    x = left + (column + 0.5) / columns * (edge_right - left)
    y = bottom + (row + 0.5) / rows * (edge_top - bottom)
    assert x == pytest.approx(point_mm[right], abs=1e-6)
    assert y == pytest.approx(point_mm[up], abs=1e-6)


def test_canals_are_drawn_at_their_centerlines(scan, canal):
    views = views_of(overview_figure(scan, [canal]))
    line = next(x for x in views["from the side"].get_lines() if len(x.get_xdata()) > 2)
    np.testing.assert_array_equal(line.get_xdata(), canal.centerline_mm[:, 1])
    np.testing.assert_array_equal(line.get_ydata(), canal.centerline_mm[:, 2])


def test_oriented_scans_show_the_letters_where_they_belong(scan, canal):
    views = views_of(overview_figure(scan, [canal]))
    front = {t.get_text(): t.get_position() for t in views["from the front"].texts}
    assert front["R"][0] < front["L"][0]
    assert front["F"][1] < front["H"][1]
    below = {t.get_text(): t.get_position() for t in views["from below"].texts}
    assert below["P"][1] < below["A"][1]
    assert views["from below"].yaxis_inverted(), "front up: y falls upward in LPS"


def test_scans_without_orientation_show_file_axes_and_no_letters(scan, canal):
    figure = overview_figure(replace(scan, oriented=False), [canal])
    words = words_of(views_of(figure)["from the front"])
    assert "+x" in words
    assert not {"L", "R", "H", "F"} & set(words)
    assert any("no orientation" in t.get_text() for t in figure.texts)


def test_every_view_has_a_scale_bar_of_its_stated_length(scan, canal):
    for axes in views_of(overview_figure(scan, [canal])).values():
        stated = next(float(w.removesuffix(" mm")) for w in words_of(axes) if w.endswith(" mm"))
        bars = [x for x in axes.get_lines() if len(x.get_xdata()) == 2]
        drawn = abs(bars[-1].get_xdata()[1] - bars[-1].get_xdata()[0])
        assert drawn == pytest.approx(stated)
        box, figure = axes.get_position(), axes.figure
        per_x = box.width * figure.get_figwidth() / np.ptp(axes.get_xlim())
        per_y = box.height * figure.get_figheight() / np.ptp(axes.get_ylim())
        assert per_x == pytest.approx(per_y), "both directions must have one scale"


def test_invented_scans_are_marked(scan, canal):
    assert any("INVENTED" in t.get_text() for t in overview_figure(scan, [canal]).texts)
    assert any("INVENTED" in t.get_text() for t in sections_figure(scan, canal, [3.0]).texts)


def test_sections_draw_the_measured_outline(scan, canal):
    figure = sections_figure(scan, canal, [1.0, 3.0, 5.0, 7.0, 9.0])
    axes = figure.axes[1]
    assert axes.get_xlabel() == f"level 3.0, ⌀ {canal.diameter_mm[30]:.2f} mm"
    outline = axes.get_lines()[1]
    radius = np.hypot(outline.get_xdata(), outline.get_ydata())
    np.testing.assert_allclose(radius[:-1], canal.radius_mm[30])
    assert len(figure.axes) == 5


@pytest.mark.parametrize(
    "pair", [("hand-25-02", "engine-20-06"), ("hand-10-02", "hand-15-02"), ("hand-80-02",) * 2]
)
def test_comparison_shows_the_rows_and_keeps_to_the_canvas(pair):
    comparison = compare(*map(instrument_from_id, pair))
    figure = compare_figure(comparison)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    difference = views_of(figure)["difference mm"]
    shown = words_of(difference)
    assert len(shown) == len(comparison.rows)
    for row, text in zip(comparison.rows, shown, strict=True):
        assert text == f"{row.difference_mm:+.2f}".replace("-", "−")
    for axes in figure.axes:
        for text in axes.texts:
            assert text.get_window_extent(canvas.get_renderer()).x1 < figure.bbox.x1
