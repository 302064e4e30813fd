from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canalwright.exchange.layout import json_text
from canalwright.exchange.numbers import number, number_list, optional_list, row_list

JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


@given(JSON)
def test_the_text_says_what_the_value_says(value):
    assert json.loads(json_text(value)) == value


def test_rows_of_numbers_stay_on_one_line():
    text = json_text({"a": [1.0, None, True], "b": [[1, 2], [3, 4]], "c": ["x"], "d": {}, "e": []})
    assert '"a": [1.0, null, true]' in text
    assert "  [1, 2],\n" in text
    assert text.endswith("}\n")


def test_text_keeps_its_letters():
    assert "µ·°" in json_text({"unit": "µ·°"})


def test_nan_is_never_written():
    with pytest.raises(ValueError, match="JSON"):
        json_text({"a": math.nan})


def test_numbers_are_rounded_and_unknown_ones_are_none():
    assert number(1.23456789) == 1.2346
    assert number(math.nan) is None
    assert number(math.inf) is None
    assert number(None) is None
    assert math.copysign(1.0, number(-0.00001)) == 1.0
    assert number_list(np.array([-1e-9, 0.12346])) == [0.0, 0.1235]
    assert optional_list([math.nan, 2.0]) == [None, 2.0]
    assert row_list([[1.0, math.nan]]) == [[1.0, None]]
