from __future__ import annotations

import pytest

from canalwright.cli.reading import (
    ClickedCanal,
    InstrumentAt,
    read_clicked_canals,
    read_instruments_at,
    read_numbers,
    read_spacing_mm,
    split_names,
)
from canalwright.errors import MalformedText, OutOfRange


def test_canals_are_read_with_signs_and_exponents():
    (canal,) = read_clicked_canals(["MB=-1.5,2,3e0:+4,.5,-6."])
    assert canal == ClickedCanal("MB", (-1.5, 2.0, 3.0), (4.0, 0.5, -6.0))


@pytest.mark.parametrize(
    "text",
    [
        "1,2,3:4,5,6",
        "MB=1,2,3",
        "MB=1,2:3,4,5",
        "MB=1,2,3:4,5,6:7,8,9",
        "MB=1,2,3:4,5,six",
        "MB=1,2,3:4,5,nan",
        "MB=1,2,3:4,5,inf",
        "=1,2,3:4,5,6",
        "MB=",
        "",
    ],
)
def test_a_malformed_canal_is_refused_with_what_was_typed(text):
    with pytest.raises(MalformedText) as caught:
        read_clicked_canals([text])
    assert caught.value.exit_code == 3
    assert caught.value.got in text


def test_a_name_may_be_used_once():
    with pytest.raises(MalformedText, match="'MB' is not used only once"):
        read_clicked_canals(["MB=1,2,3:4,5,6", "MB=1,2,3:4,5,7"])


def test_decimal_commas_are_explained():
    with pytest.raises(MalformedText, match="write decimals with a point"):
        read_spacing_mm("0,127,0,127,0,127")
    with pytest.raises(MalformedText, match="write decimals with a point"):
        read_numbers("0,5;1,5;2", name="--stations")


def test_spacing_must_be_above_zero():
    assert read_spacing_mm(None) is None
    assert read_spacing_mm("0.3,0.2,0.1") == (0.3, 0.2, 0.1)
    with pytest.raises(OutOfRange, match="Voxel size along y is 0 mm"):
        read_spacing_mm("0.1,0,0.1")


def test_instruments_stop_where_the_level_says():
    assert read_instruments_at("hand-08-02, engine-25-06@4", name="--after") == (
        InstrumentAt("hand-08-02", 0.0),
        InstrumentAt("engine-25-06", 4.0),
    )
    assert read_instruments_at(None, name="--after") == ()
    for wrong in ("hand-08-02@", "@4", "hand-08-02@four", "a,,b"):
        with pytest.raises(MalformedText, match="--after"):
            read_instruments_at(wrong, name="--after")


def test_names_may_be_repeated_or_listed():
    assert split_names(["a,b", " c "]) == ("a", "b", "c")
