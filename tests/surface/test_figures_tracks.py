from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from canalwright.reports.style import (
    ISO_CHIP_COLORS,
    figure_svg,
    instrument_style,
    save_figure,
)
from canalwright.reports.track_scene import DENTIN_CAUTIONS
from canalwright.reports.tracks import track_figure

TRACKS = ("image", "diameter", "step", "dentin", "strain", "engagement")


@pytest.fixture(scope="module")
def figure(sample, straightened):
    result = sample.result
    return track_figure(
        sample.canal,
        result.plans[0],
        straightened=straightened,
        start=result.start,
        target=result.target,
        limits=result.limits,
        curvature_per_mm=sample.curvature_per_mm,
        title="Lower molar, $mesio_buccal$",
    )


def tracks_of(figure):
    return {axes.get_gid(): axes for axes in figure.axes}


def texts_of(figure):
    return [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]


def texts_outside(figure):
    """Return texts that are drawn and stick out of the canvas by more than a pixel."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    edge, idle = figure.bbox, idle_labels(figure)
    outside = []
    for text in texts_of(figure):
        if id(text) in idle:
            continue
        box = text.get_window_extent(canvas.get_renderer())
        if min(box.x0, box.y0) < -1 or box.x1 > edge.x1 + 1 or box.y1 > edge.y1 + 1:
            outside.append(text.get_text())
    return outside


def idle_labels(figure):
    """Return the tick labels beyond the limits of their axis: they exist but are not drawn."""
    idle = set()
    for axis in (axis for axes in figure.axes for axis in (axes.xaxis, axes.yaxis)):
        low, high = sorted(axis.get_view_interval())
        in_use = axis.get_major_ticks()
        for tick in axis.majorTicks:
            if tick not in in_use or not low <= tick.get_loc() <= high:
                idle |= {id(tick.label1), id(tick.label2)}
        if not axis.axes.axison:
            idle |= {id(label) for tick in axis.majorTicks for label in (tick.label1, tick.label2)}
    return idle


def test_all_tracks_are_there_and_share_the_level_axis(figure):
    tracks = tracks_of(figure)
    assert set(TRACKS) <= set(tracks)
    limits = {tracks[name].get_ylim() for name in TRACKS}
    assert len(limits) == 1
    low, high = limits.pop()
    assert low < 0.0 < 13.0 < high, "the terminus must be at the bottom"


def test_tracks_lie_side_by_side_at_the_same_height(figure):
    boxes = [tracks_of(figure)[name].get_position() for name in TRACKS]
    assert all(a.x1 < b.x0 for a, b in pairwise(boxes))
    assert len({(round(b.y0, 9), round(b.y1, 9)) for b in boxes}) == 1


@pytest.mark.parametrize("size_mm", [(180.0, 225.0), (180.0, 256.0), (260.0, 160.0)])
def test_no_text_leaves_the_canvas(sample, straightened, size_mm):
    result = sample.result
    drawn = track_figure(
        sample.canal,
        result.plans[0],
        straightened=straightened,
        target=result.target,
        limits=result.limits,
        curvature_per_mm=sample.curvature_per_mm,
        size_mm=size_mm,
    )
    assert texts_outside(drawn) == []


def test_headings_of_neighboring_tracks_do_not_touch(figure):
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    boxes = sorted(
        (t.get_window_extent(canvas.get_renderer()) for t in figure.texts), key=lambda b: b.x0
    )
    overlaps = [(a, b) for i, a in enumerate(boxes) for b in boxes[i + 1 :] if a.overlaps(b)]
    assert overlaps == []


def test_every_printed_letter_is_at_least_nine_points(figure):
    assert min(t.get_fontsize() for t in texts_of(figure)) >= 9.0


def test_terminus_orifice_units_and_origins_are_named(figure):
    words = " ".join(t.get_text() for t in texts_of(figure))
    for needed in (
        "terminus",
        "orifice",
        "level, mm from the terminus",
        "diameter, mm",
        "% of width",
        "thinnest, mm",
        "estimate, %",
        "curvature, 1/mm",
        "INVENTED DATA",
        "invented data",
        "from memory",
        "measured from image",
    ):
        assert needed in words


def test_step_lines_carry_the_numbers_of_the_plan(figure, sample):
    axes = tracks_of(figure)["step"]
    for number, planned in enumerate(sample.result.plans[0].steps):
        color = instrument_style(number)["color"]
        dash = instrument_style(number)["linestyle"]
        lines = [
            line
            for line in axes.get_lines()
            if line.get_color() == color and line._unscaled_dash_pattern == _pattern(dash)
        ]
        assert len(lines) == 1
        shown = np.asarray(lines[0].get_xdata())
        engaged = planned.step.engaged
        np.testing.assert_array_equal(shown[engaged], planned.step.step_percent[engaged])
        assert np.isnan(shown[~engaged]).all()


def _pattern(dash):
    from matplotlib.lines import Line2D

    return Line2D([], [], linestyle=dash)._unscaled_dash_pattern


def test_dentin_track_draws_both_cautions_with_their_status(figure):
    axes = tracks_of(figure)["dentin"]
    drawn = {line.get_xdata()[0] for line in axes.get_lines() if len(line.get_xdata()) == 2}
    assert {graded.value for graded, _ in DENTIN_CAUTIONS} <= drawn
    labels = [t.get_text() for t in axes.texts]
    assert sum("from memory" in label for label in labels) == len(DENTIN_CAUTIONS)


def test_engagement_names_every_instrument(figure, sample):
    labels = [t.get_text() for t in tracks_of(figure)["engagement"].get_xticklabels()]
    assert labels == [
        "1  10/.02",
        "2  25/.06",
        "3  15/.02",
        "4  20/.04",
        "5  25/.04",
        "6  30/.04",
    ]


def test_user_text_is_not_read_as_mathematics(figure):
    assert b"Lower molar, $mesio_buccal$" in figure_svg(figure)


def test_without_a_plan_only_the_tracks_of_the_canal_remain(sample, straightened):
    drawn = track_figure(
        sample.canal, straightened=straightened, curvature_per_mm=sample.curvature_per_mm
    )
    assert set(tracks_of(drawn)) == {"image", "diameter", "dentin", "curvature", "key"}
    assert texts_outside(drawn) == []


def test_steps_without_loads_get_no_strain_track(sample):
    drawn = track_figure(sample.canal, [s.step for s in sample.result.plans[0].steps])
    assert "strain" not in tracks_of(drawn)
    words = " ".join(t.get_text() for t in texts_of(drawn))
    assert "Silhouette" in words


def test_unknown_root_surface_is_said(sample):
    unknown = replace(
        sample.canal, outer_radius_mm=np.full_like(sample.canal.outer_radius_mm, np.nan)
    )
    words = " ".join(t.get_text() for t in texts_of(track_figure(unknown)))
    assert "not in the image" in words


def test_data_of_a_patient_is_not_marked_invented(sample):
    drawn = track_figure(sample.canal, invented=False)
    assert not any("INVENTED" in t.get_text() for t in texts_of(drawn))


def test_image_outside_the_volume_is_left_blank(sample, straightened):
    blank = replace(straightened, image=np.full_like(straightened.image, np.nan))
    drawn = track_figure(sample.canal, sample.result.plans[0], straightened=blank)
    assert figure_svg(drawn)


def test_thirty_instruments_have_thirty_marks():
    marks = {(s["color"], str(s["linestyle"])) for s in map(instrument_style, range(30))}
    assert len(marks) == 30


def test_every_color_of_the_standard_has_a_chip():
    from canalwright.instruments.catalog import standard_sizes

    assert {size.color for size in standard_sizes()} <= set(ISO_CHIP_COLORS)


@pytest.mark.parametrize(
    ("ending", "magic"), [("png", b"\x89PNG"), ("svg", b"<?xml"), ("pdf", b"%PDF")]
)
def test_figures_are_saved_by_their_ending(figure, tmp_path, ending, magic):
    path = tmp_path / f"tracks.{ending}"
    save_figure(figure, path, dpi=60)
    assert path.read_bytes().startswith(magic)


def test_unknown_ending_writes_nothing(figure, tmp_path):
    with pytest.raises(ValueError, match="svg, pdf or png"):
        save_figure(figure, tmp_path / "tracks.bmp")
    assert list(tmp_path.iterdir()) == []


def test_same_inputs_give_the_same_svg(sample, straightened):
    first, second = (
        figure_svg(track_figure(sample.canal, sample.result.plans[0], straightened=straightened))
        for _ in range(2)
    )
    assert first == second


def test_drawing_leaves_the_plotting_library_as_it_was(sample):
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    track_figure(sample.canal)
    assert dict(mpl.rcParams) == before
