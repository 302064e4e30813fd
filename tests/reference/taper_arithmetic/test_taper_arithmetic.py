from __future__ import annotations

import pytest

from canalwright.instruments.compare import area_step_percent, compare, step_percent
from canalwright.instruments.standard import find_instrument

PRINTED_PERCENT = 0.05 + 1e-9  # one decimal printed
EXACT_MM = 1e-12

pytestmark = pytest.mark.source(
    "iso3630",
    where="definition of size and taper; steps between them in closed form",
    kind="computed",
)

STEPS = [
    (6, 8, 33.3, 77.8),
    (8, 10, 25.0, 56.3),
    (10, 15, 50.0, 125.0),
    (15, 20, 33.3, 77.8),
    (20, 25, 25.0, 56.3),
    (25, 30, 20.0, 44.0),
    (30, 35, 16.7, 36.1),
    (35, 40, 14.3, 30.6),
    (40, 45, 12.5, 26.6),
    (45, 50, 11.1, 23.5),
    (50, 55, 10.0, 21.0),
    (55, 60, 9.1, 19.0),
    (60, 70, 16.7, 36.1),
    (70, 80, 14.3, 30.6),
]

BETWEEN = [(10, 12, 20.0), (10, 13, 30.0), (13, 16, 23.1), (10, 16, 60.0), (12, 16, 33.3),
           (16, 19, 18.8)]  # fmt: skip


@pytest.mark.parametrize(("a", "b", "diameter_percent", "area_percent"), STEPS)
def test_steps_between_standard_sizes(a, b, diameter_percent, area_percent):
    row = compare(
        find_instrument(f"hand-{a:02d}-02"), find_instrument(f"hand-{b:02d}-02"), [0.0]
    ).rows[0]
    assert row.difference_percent == pytest.approx(diameter_percent, abs=PRINTED_PERCENT)
    assert row.area_percent == pytest.approx(area_percent, abs=PRINTED_PERCENT)


@pytest.mark.parametrize(("a", "b", "diameter_percent"), BETWEEN)
def test_steps_to_sizes_in_between(a, b, diameter_percent):
    row = compare(
        find_instrument(f"engine-{a:02d}-02"), find_instrument(f"engine-{b:02d}-02"), [0.0]
    ).rows[0]
    assert row.difference_percent == pytest.approx(diameter_percent, abs=PRINTED_PERCENT)


def test_half_sizes():
    assert step_percent(0.10, 0.125) == pytest.approx(25.0, abs=1e-9)
    assert step_percent(0.15, 0.175) == pytest.approx(16.7, abs=PRINTED_PERCENT)
    assert area_step_percent(0.10, 0.15) == pytest.approx(125.0, abs=1e-9)


def test_a_small_file_taken_past_the_terminus_halves_the_next_step():
    left_mm = float(find_instrument("hand-10-02").diameter_mm(1.0))
    assert left_mm == pytest.approx(0.12, abs=EXACT_MM)
    assert step_percent(left_mm, 0.16) == pytest.approx(100 / 3, abs=1e-9)
    # worked until loose: 0.01 mm more, common practice, no source
    assert step_percent(left_mm + 0.01, 0.16) == pytest.approx(23.077, abs=1e-3)


def test_trimming_one_millimeter_makes_the_next_half_size():
    assert find_instrument("hand-15-02").diameter_mm(1.0) == pytest.approx(0.17, abs=EXACT_MM)


@pytest.mark.parametrize(
    ("name", "station_mm", "diameter_mm"),
    [("hand-25-02", 16.0, 0.57), ("engine-25-06", 3.0, 0.43), ("engine-25-06", 16.0, 1.21)],
)
def test_diameter_at_a_station(name, station_mm, diameter_mm):
    assert find_instrument(name).diameter_mm(station_mm) == pytest.approx(diameter_mm, abs=EXACT_MM)


def test_worst_case_of_sizes_15_and_20_within_tolerance():
    row = compare(find_instrument("hand-15-02"), find_instrument("hand-20-02"), [0.0]).rows[0]
    assert row.least_percent == pytest.approx(5.9, abs=PRINTED_PERCENT)
    assert row.most_percent == pytest.approx(69.2, abs=PRINTED_PERCENT)
    assert not row.within_tolerance
