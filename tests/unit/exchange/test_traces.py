"""Traced canals in documents, and what can be planned on them."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import UnreadableFile
from canalwright.exchange.canals import CanalsDocument
from canalwright.exchange.canals_in import read_canals
from canalwright.exchange.document import document_text
from canalwright.exchange.traces_out import traced_document
from canalwright.imaging.rulers import stated_scale
from canalwright.imaging.tracing import TracedCanal, TracedStretch

COUNT = 121


def traced(**changes):
    level = np.linspace(0.0, 12.0, COUNT)
    line = np.column_stack([5.0 + 0.01 * level**2, 14.0 - level])
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    canal = TracedCanal(
        name="main",
        level_mm=arc,
        centerline_mm=np.column_stack([line, np.zeros(COUNT)]),
        points_px=line / 0.02,
        clicks_px=line[[0, -1]] / 0.02,
        width_mm=0.3 + 0.04 * arc,
        width_sd_mm=np.full(COUNT, 0.03),
        length_sd_mm=0.06,
        stretches=(TracedStretch(0.0, float(arc[-1]), True, 0.99),),
        ruler=stated_scale(0.02),
    )
    return replace(canal, **changes)


def written(tmp_path, canal):
    path = tmp_path / "canals.json"
    path.write_text(document_text(traced_document([canal], {})), "utf-8")
    return path


def unseen(below_mm=0.0, between_mm=(0.0, 0.0)):
    canal = traced()
    level = canal.level_mm
    hidden = (level < below_mm) | ((level > between_mm[0]) & (level < between_mm[1]))
    return replace(canal, width_mm=np.where(hidden, np.nan, canal.width_mm))


def test_what_is_written_can_be_read_by_its_own_model():
    document = traced_document([unseen(1.0)], {"seed": 1})
    assert CanalsDocument.model_validate(json.loads(document_text(document))) == document


def test_a_trace_says_what_it_is(tmp_path):
    (record,) = json.loads(written(tmp_path, unseen(1.0)).read_text("utf-8"))["canals"]
    assert record["diameter_mm"][0] is None
    assert record["diameter_mm"][-1] == pytest.approx(0.3 + 0.04 * record["length_mm"], abs=1e-4)
    assert record["projection"]["view_angles_deg"] == [0.0]
    assert record["projection"]["depth_sd_mm"] is None
    assert record["projection"]["stretches"][0]["snapped"] is True
    assert record["curvature"]["view_direction"] == [0.0, 0.0, -1.0]
    assert all(point[2] == 0.0 for point in record["centerline_mm"])


def test_sections_are_circles_of_the_projected_width(tmp_path):
    ((canal,), _) = read_canals(written(tmp_path, traced()))
    np.testing.assert_allclose(canal.diameter_mm, 0.3 + 0.04 * canal.level_mm, atol=1e-4)
    assert np.isnan(canal.outer_radius_mm).all()
    codes = {caution.code for caution in canal.cautions}
    assert "SECTIONS_FROM_PROJECTION" in codes
    assert "WIDTHS_FILLED" not in codes


def test_gaps_are_bridged_and_the_taper_is_carried_on(tmp_path):
    canal = unseen(1.5, (5.0, 7.0))
    ((found,), _) = read_canals(written(tmp_path, canal))
    # The true widths grow evenly, so that bridging and carrying on give them back.
    np.testing.assert_allclose(found.diameter_mm, 0.3 + 0.04 * found.level_mm, atol=1e-3)
    assert "WIDTHS_FILLED" in {caution.code for caution in found.cautions}


def test_toward_the_terminus_it_never_widens(tmp_path):
    narrowing = traced(width_mm=0.6 - 0.02 * traced().level_mm)
    hidden = np.where(narrowing.level_mm < 1.5, np.nan, narrowing.width_mm)
    ((found,), _) = read_canals(written(tmp_path, replace(narrowing, width_mm=hidden)))
    lowest = found.diameter_mm[found.level_mm >= 1.5][0]
    np.testing.assert_allclose(found.diameter_mm[found.level_mm < 1.5], lowest, atol=1e-3)


@pytest.mark.parametrize(
    ("canal", "sentence"),
    [
        (unseen(99.0), "has no depth, and here no width"),
        (unseen(2.5), "would be a guess"),
    ],
    ids=["no width", "none near the terminus"],
)
def test_without_widths_nothing_is_rebuilt(tmp_path, canal, sentence):
    with pytest.raises(UnreadableFile, match=sentence):
        read_canals(written(tmp_path, canal))


def test_a_measured_canal_may_not_lack_a_width(tmp_path):
    path = written(tmp_path, unseen(1.0))
    data = json.loads(path.read_text("utf-8"))
    del data["canals"][0]["projection"]
    path.write_text(json.dumps(data), "utf-8")
    with pytest.raises(UnreadableFile, match="only a trace may lack a width"):
        read_canals(path)
