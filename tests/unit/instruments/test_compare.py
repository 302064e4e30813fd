from __future__ import annotations

import pytest

from canalwright.errors import OutOfRange
from canalwright.instruments.build import profiled_instrument
from canalwright.instruments.compare import compare, compare_all
from canalwright.instruments.standard import find_instrument


def progressive():
    # Invented: nearly the tip of a hand 15, then a taper that grows coronally.
    return profiled_instrument(
        "progressive-16", (0.0, 4.0, 9.0, 14.0, 16.0), (0.16, 0.25, 0.45, 0.75, 0.90)
    )


def test_default_stations():
    rows = compare(find_instrument("hand-10-02"), find_instrument("hand-15-02")).rows
    assert [row.station_mm for row in rows] == [0.0, 4.0, 8.0, 12.0, 16.0]


def test_progressive_taper_is_equal_at_the_tip_and_differs_more_and_more_coronally():
    result = compare(find_instrument("hand-15-02"), progressive())
    differences = [row.difference_mm for row in result.rows]
    assert differences == sorted(differences)
    assert result.rows[0].within_tolerance
    assert not result.rows[-1].within_tolerance
    (stretch,) = result.equal_within_tolerance
    assert stretch.from_station_mm == 0.0
    # by hand: 0.25 + 0.04 (s − 4) − 0.23 − 0.02 (s − 4) = 0.04 at s = 5
    assert stretch.to_station_mm == pytest.approx(5.0, abs=0.01)


def test_stations_behind_the_cutting_part_are_told_apart():
    short = profiled_instrument("short", (0.0, 10.0), (0.2, 0.4))
    row = compare(short, find_instrument("hand-20-02"), [12.0]).rows[0]
    assert (row.a_cuts, row.b_cuts) == (False, True)
    assert row.a_mm == pytest.approx(0.4)


def test_percentages_turn_round_with_the_order():
    a, b = find_instrument("hand-10-02"), find_instrument("hand-15-02")
    there, back = compare(a, b).rows[0], compare(b, a).rows[0]
    assert there.difference_mm == pytest.approx(-back.difference_mm)
    assert (1 + there.difference_percent / 100) * (1 + back.difference_percent / 100) == (
        pytest.approx(1.0)
    )


def test_several_against_the_first():
    ids = ("hand-10-02", "hand-15-02", "hand-20-02")
    results = compare_all([find_instrument(i) for i in ids])
    assert [(r.a.id, r.b.id) for r in results] == [(ids[0], ids[1]), (ids[0], ids[2])]


def test_one_instrument_cannot_be_compared():
    with pytest.raises(OutOfRange, match="at least 2"):
        compare_all([find_instrument("hand-10-02")])


@pytest.mark.parametrize("station", [-0.5, 25.5, float("nan")])
def test_stations_off_the_instrument_are_refused(station):
    with pytest.raises(OutOfRange, match="D4 is 4 mm"):
        compare(find_instrument("hand-10-02"), find_instrument("hand-15-02"), [station])
