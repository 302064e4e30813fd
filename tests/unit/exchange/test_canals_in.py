from __future__ import annotations

import math

import numpy as np
import pytest

from canalwright.errors import UnreadableFile
from canalwright.exchange.canals_in import SECTIONS_RECONSTRUCTED, read_canals


def test_contract_keys_alone_make_a_canal(contract, written):
    (canal,), document = read_canals(written(contract))
    record = contract["canals"][0]
    assert canal.name == "MB"
    assert canal.length_mm == 12.0
    # Widths are sought over 64 directions: at most 1 - cos(pi/64) = 0.12 % off.
    np.testing.assert_allclose(canal.narrow_mm, record["narrow_mm"], rtol=0.002)
    np.testing.assert_allclose(canal.wide_mm, record["wide_mm"], rtol=0.002)
    np.testing.assert_allclose(canal.dentin_min_mm[1:], record["dentin_min_mm"][1:], rtol=1e-12)
    assert math.isnan(canal.dentin_min_mm[0])
    assert SECTIONS_RECONSTRUCTED in canal.cautions
    assert document.version == "9.9.9"


def test_without_widths_sections_are_circles(contract, written):
    record = contract["canals"][0]
    for key in ("narrow_mm", "wide_mm", "dentin_min_mm", "diameter_sd_mm", "length_mm"):
        del record[key]
    (canal,), _ = read_canals(written(contract))
    np.testing.assert_allclose(canal.diameter_mm, record["diameter_mm"], rtol=1e-12)
    np.testing.assert_allclose(canal.radius_mm.min(axis=1), canal.radius_mm.max(axis=1))
    assert np.isnan(canal.outer_radius_mm).all()
    assert np.isnan(canal.diameter_sd_mm).all()


def test_direction_zero_is_across_the_centerline(contract, written):
    (canal,), _ = read_canals(written(contract))
    tangent = np.gradient(canal.centerline_mm, canal.level_mm, axis=0)
    assert np.abs(np.sum(tangent * canal.direction0, axis=1)).max() < 0.01
    np.testing.assert_allclose(np.linalg.norm(canal.direction0, axis=1), 1.0)


def broken(change):
    def apply(document):
        change(document["canals"][0], document)
        return document

    return apply


def set_value(key, at, value):
    def change(record, _document):
        record[key][at] = value

    return change


BROKEN = [
    (set_value("diameter_mm", 3, -0.2), r"canals\[0\]\.diameter_mm\[3\] is -0.2.*greater than 0"),
    (set_value("diameter_mm", 3, 0), r"canals\[0\]\.diameter_mm\[3\] is 0;.*greater than 0"),
    (set_value("diameter_mm", 3, 250.0), r"diameter_mm\[3\] is 250.0;.*less than or equal to 20"),
    (set_value("diameter_mm", 2, "0.3"), r"canals\[0\]\.diameter_mm\[2\] is \"0.3\".*number"),
    (set_value("diameter_mm", 2, True), r"canals\[0\]\.diameter_mm\[2\] is true.*number"),
    (set_value("diameter_mm", 2, None), r"canals\[0\] has diameter_mm\[2\] = null; only a trace"),
    (set_value("diameter_mm", 1, math.nan), r"canals\[0\]\.diameter_mm\[1\] is NaN.*"),
    (set_value("wide_mm", 1, math.inf), r"canals\[0\]\.wide_mm\[1\] is Infinity.*"),
    (set_value("level_mm", 4, 2.5), r"canals\[0\] has level_mm\[4\] = 2.5 after 3"),
    (set_value("level_mm", 0, 0.1), r"canals\[0\] has level_mm\[0\] = 0.1; levels start at 0"),
    (set_value("centerline_mm", 5, [1.0, 2.0]), r"canals\[0\]\.centerline_mm\[5\] is .*at least 3"),
    (set_value("narrow_mm", 5, 0.9), r"canals\[0\] has narrow_mm\[5\] = 0.9 above wide_mm\[5\]"),
    (set_value("dentin_min_mm", 5, -0.3), r"canals\[0\]: the root surface lies inside the canal"),
    (lambda r, d: r["diameter_mm"].pop(), r"has 12 values in diameter_mm and 13 in level_mm"),
    (lambda r, d: r.pop("level_mm"), r"canals\[0\]\.level_mm is missing"),
    (lambda r, d: r.update(name=""), r"canals\[0\]\.name is \"\""),
    (lambda r, d: r.update(name=7), r"canals\[0\]\.name is 7; it should be a valid string"),
    (lambda r, d: r.update(length_mm=1.2), r"length_mm is 1.2 but the last level_mm is 12"),
    (
        lambda r, d: r.update(centerline_mm=[[10 * c for c in p] for p in r["centerline_mm"]]),
        r"centerline_mm is 119.\d+ mm long but level_mm ends at 12.00",
    ),
    (lambda r, d: d["canals"].append(dict(r)), r"the document names two canals 'MB'"),
    (lambda r, d: d.update(canals=[]), r"canals is \[\]; it .*at least 1"),
    (lambda r, d: d.update(schema="canalwright/canals@2"), r"its schema is 'canalwright/canals@2'"),
    (lambda r, d: d.update(schema="canalwright/plan@1"), r"'canalwright/canals@1' is needed here"),
    (lambda r, d: d.pop("schema"), r"it has no 'schema'"),
]


@pytest.mark.parametrize(("change", "sentence"), BROKEN, ids=[s for _, s in BROKEN])
def test_a_wrong_value_is_named_with_its_place(contract, written, change, sentence):
    path = written(broken(change)(contract))
    with pytest.raises(UnreadableFile, match=sentence) as caught:
        read_canals(path)
    assert caught.value.exit_code == 3
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "not JSON at line 1, column 1"),
        ('{"schema": "canalwright/canals@1", ', "not JSON at line 1"),
        ("[1, 2]", "it has no 'schema'"),
        ("null", "it has no 'schema'"),
        ("[" * 100_000, "nested too deeply"),
    ],
)
def test_text_that_is_no_document_is_refused(written, text, sentence):
    with pytest.raises(UnreadableFile, match=sentence):
        read_canals(written(text))


def test_a_missing_file_and_a_folder_and_bytes_are_refused(tmp_path):
    with pytest.raises(UnreadableFile, match="no such file"):
        read_canals(tmp_path / "none.json")
    with pytest.raises(UnreadableFile, match="folder"):
        read_canals(tmp_path)
    (tmp_path / "bytes.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UnreadableFile, match="not UTF-8"):
        read_canals(tmp_path / "bytes.json")


def test_sections_win_over_widths_and_must_agree_with_the_diameters(contract, written):
    record = contract["canals"][0]
    record["section_radius_mm"] = [[d / 2] * 64 for d in record["diameter_mm"]]
    (canal,), _ = read_canals(written(contract))
    assert SECTIONS_RECONSTRUCTED not in canal.cautions
    np.testing.assert_allclose(canal.diameter_mm, record["diameter_mm"], rtol=1e-12)
    record["diameter_mm"][4] = 0.5
    with pytest.raises(UnreadableFile, match=r"diameter_mm\[4\] is 0.5 but section_radius_mm\[4\]"):
        read_canals(written(contract))


def test_sections_of_another_number_of_directions_are_resampled(contract, written):
    record = contract["canals"][0]
    record["section_radius_mm"] = [[d / 2] * 32 for d in record["diameter_mm"]]
    (canal,), _ = read_canals(written(contract))
    assert canal.radius_mm.shape == (13, 64)
    np.testing.assert_allclose(canal.diameter_mm, record["diameter_mm"], rtol=1e-12)
