from __future__ import annotations

import pytest

from canalwright.anatomy.classes import (
    dobo_nagy_class,
    schneider_class,
    schneider_class_cautions,
)
from canalwright.errors import OutOfRange


@pytest.mark.parametrize(
    ("angle", "chosen", "cautioned"),
    [
        (0.0, "straight", False),
        (5.0, "straight", False),
        (5.1, "moderate", True),
        (9.9, "moderate", True),
        (10.0, "moderate", False),
        (20.0, "moderate", False),
        (20.1, "severe", True),
        (24.9, "severe", True),
        (24.99999, "severe", False),  # prints as 25.0
        (70.0, "severe", False),
        (71.0, "severe", True),
    ],
)
def test_gaps_go_to_the_more_difficult_class_and_are_said(angle, chosen, cautioned):
    assert schneider_class(angle) == chosen
    cautions = schneider_class_cautions(angle)
    assert bool(cautions) == cautioned
    assert all(f"{angle:.1f}°" in c.text and chosen in c.text for c in cautions)


@pytest.mark.parametrize("angle", [-1.0, 181.0, float("nan")])
def test_impossible_angle_is_refused(angle):
    with pytest.raises(OutOfRange, match="allowed: 0 to 180 °"):
        schneider_class(angle)


@pytest.mark.parametrize(
    ("pieces", "shape"),
    [
        ([(None, 13.0)], "I"),
        ([(None, 8.0), (20.0, 6.0), (None, 2.0)], "I"),
        ([(None, 9.0), (5.0, 50.0)], "J"),
        ([(None, 10.0), (2.0, 60.0), (None, 1.0)], "J"),
        ([(15.0, 50.0)], "C"),
        ([(None, 4.0), (8.0, 30.0), (7.0, -35.0), (None, 1.0)], "S"),
    ],
)
def test_shape_class_by_polynomial(make_canal, pieces, shape):
    assert dobo_nagy_class(make_canal(*pieces)) == shape
