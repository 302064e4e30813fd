"""Limits from files: what is stated replaces defaults, everything else is refused in a sentence."""

from __future__ import annotations

from dataclasses import fields

import pytest

from canalwright.errors import BadInput, MalformedText, OutOfRange, UnknownName, UnreadableFile
from canalwright.evidence import Evidence
from canalwright.exchange.limits import limits_template, read_limits
from canalwright.exchange.used_lives import read_used_lives
from canalwright.planning.types import Limits


def _written(folder, text, name="mine.toml"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_the_template_read_back_is_the_defaults(tmp_path):
    found = read_limits(_written(tmp_path, limits_template()))
    assert found.limits == Limits()
    assert found.stated == tuple(one.name for one in fields(Limits))


def test_stated_limits_replace_defaults_and_carry_their_origin(tmp_path):
    text = """
    name = "mine"
    [limits.step_percent]
    value = 35
    source = "own notes"
    [limits.transportation_mm]
    value = 0.15
    evidence = "common practice, no source"
    """
    found = read_limits(_written(tmp_path, text))
    assert found.name == "mine"
    assert found.limits.step_percent.value == 35.0
    assert found.limits.step_percent.evidence is Evidence.OPERATOR
    assert found.limits.step_percent.source == "own notes"
    assert found.limits.transportation_mm.evidence is Evidence.PRACTICE
    assert found.limits.engaged_mm == Limits().engaged_mm


def test_yaml_says_the_same(tmp_path):
    text = "limits:\n  step_percent: 35\n  engaged_mm: {value: 8, unit: mm}\n"
    found = read_limits(_written(tmp_path, text, "mine.yaml"))
    assert (found.limits.step_percent.value, found.limits.engaged_mm.value) == (35.0, 8.0)
    assert found.stated == ("step_percent", "engaged_mm")


@pytest.mark.parametrize(
    ("text", "error", "says"),
    [
        ("[limits]\nstep_percnt = 3", UnknownName, "step_percnt"),
        ("[limits.step_percent]\nvalue = -3", OutOfRange, "-3"),
        ("[limits.step_percent]\nvalue = nan", OutOfRange, "nan"),
        ("[limits.step_percent]\nvalue = true", MalformedText, "True"),
        ("[limits.step_percent]\nvalue = '35'", MalformedText, "35"),
        ("[limits.step_percent]\nunit = '%'", MalformedText, "None"),
        ("[limits.engaged_mm]\nvalue = 1\nunit = 'cm'", MalformedText, "cm"),
        ("[limits.engaged_mm]\nvalue = 1\nevidence = 'hearsay'", MalformedText, "hearsay"),
        ("[limits.engaged_mm]\nvalue = 1\nsorce = 'x'", UnknownName, "sorce"),
        ("schema = 'canalwright/limits@2'", UnreadableFile, "limits@2"),
        ("limit = 3", UnreadableFile, "unexpected limit"),
        ("limits = 3", UnreadableFile, "unexpected"),
        ("[limits", UnreadableFile, "not TOML"),
    ],
)
def test_what_cannot_be_used_is_refused_with_what_was_read(tmp_path, text, error, says):
    with pytest.raises(error) as caught:
        read_limits(_written(tmp_path, text))
    assert says in str(caught.value)


@pytest.mark.parametrize("text", ["- 1\n- 2\n", "limits: [\n", "3\n"])
def test_yaml_without_limits_is_refused(tmp_path, text):
    with pytest.raises(UnreadableFile):
        read_limits(_written(tmp_path, text, "mine.yml"))


def test_missing_and_binary_files_are_refused(tmp_path):
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    for name in ("none.toml", "binary.toml"):
        with pytest.raises(UnreadableFile):
            read_limits(tmp_path / name)


_LIFE = (
    '{"schema": "canalwright/used-life@1", "lives": [{"instrument": "engine-25-04", '
    '"individual": "B7", "station_mm": [0, 3, 16], "damage": [0.0, 0.2, 0.1], "turning_s": 64}]}'
)


def test_used_lives_are_read_station_by_station(tmp_path):
    (life,) = read_used_lives(_written(tmp_path, _LIFE, "used.json"))
    assert (life.instrument, life.individual, life.turning_s) == ("engine-25-04", "B7", 64.0)
    assert life.at([1.5, 3.0, 9.5, 20.0, -1.0]) == pytest.approx([0.1, 0.2, 0.15, 0.0, 0.0])
    assert (life.worst, life.worst_station_mm) == (0.2, 3.0)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("used-life@1", "used-life@2"),
        ("[0, 3, 16]", "[0, 3]"),
        ("[0, 3, 16]", "[0, 3, 3]"),
        ("[0.0, 0.2, 0.1]", "[0.0, -0.2, 0.1]"),
        ('"turning_s": 64', '"turning_s": -1'),
        ('"B7"', '""'),
        ("}]}", "}"),
    ],
)
def test_used_lives_that_make_no_sense_are_refused(tmp_path, old, new):
    with pytest.raises(BadInput):
        read_used_lives(_written(tmp_path, _LIFE.replace(old, new), "used.json"))


def test_an_individual_listed_twice_is_refused(tmp_path):
    entry = _LIFE[_LIFE.index("[{") + 1 : _LIFE.rindex("]")]
    twice = _LIFE.replace(entry, f"{entry}, {entry}")
    with pytest.raises(UnreadableFile, match="listed twice"):
        read_used_lives(_written(tmp_path, twice, "used.json"))
