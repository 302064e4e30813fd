from __future__ import annotations

import numpy as np
import pytest

from canalwright.planning.clinical.irrigation import mmhg_to_pa, pressure_yardsticks
from canalwright.planning.clinical.needles import (
    Vent,
    jet_speed_m_per_s,
    needle_binding_level_mm,
    needle_table,
    replacement_mm,
    reynolds_number,
)
from canalwright.planning.clinical.tables import table

DEPTH_MM = 0.01
SHARE = 0.001

NEEDLES = [
    (27, 0.4128, 0.210, 0.400, 0.420),
    (28, 0.3620, 0.184, 0.349, 0.370),
    (29, 0.3366, 0.184, 0.324, 0.351),
    (30, 0.3112, 0.159, 0.298, 0.320),
    (31, 0.2604, 0.133, 0.254, 0.267),
]


@pytest.mark.source("iso9626", where="outside diameters by gauge; ranges", kind="memory")
@pytest.mark.parametrize("row", NEEDLES, ids=lambda row: str(row[0]))
def test_needle_table(row):
    needle = next(n for n in needle_table() if n.gauge == row[0])
    assert (needle.outer_mm, needle.inner_mm, needle.least_mm, needle.most_mm) == row[1:]


@pytest.mark.source("iso9626", where="outside diameters of 27 and 30 gauge", kind="computed")
@pytest.mark.parametrize(
    ("outer", "tip", "taper", "depth"),
    [
        (0.3112, 0.25, 0.04, 1.53),
        (0.3112, 0.25, 0.06, 1.02),
        (0.3112, 0.30, 0.06, 0.187),
        (0.3112, 0.35, 0.04, 0.0),
        (0.4128, 0.30, 0.04, 2.82),
        (0.4128, 0.30, 0.06, 1.88),
        (0.4128, 0.35, 0.06, 1.05),
    ],
)
def test_binding_depth_in_tapered_canals(outer, tip, taper, depth):
    level = np.linspace(0.0, 14.0, 141)
    found = needle_binding_level_mm(level, tip + taper * level, outer)
    assert found == pytest.approx(depth, abs=DEPTH_MM)
    assert found == pytest.approx(max((outer - tip) / taper, 0.0), abs=1e-9)


@pytest.mark.source(
    "boutsioukis2010", where="abstract: replacement beyond the tip", kind="published"
)
def test_published_replacement_and_its_setting():
    row = table("irrigation")["replacement"]
    assert replacement_mm(Vent.SIDE) == 1.0
    assert replacement_mm(Vent.OPEN) == 2.0
    assert (row["size"], row["taper_mm_per_mm"], row["gauge"]) == (45, 0.06, 30)


@pytest.mark.source("boutsioukis2010", where="flow of 0.26 mL/s", kind="computed")
def test_flow_units():
    assert pytest.approx(15.6, abs=1e-12) == 0.26 * 60.0
    assert table("irrigation")["replacement"]["flow_ml_per_min"] == 15.6
    assert pytest.approx(0.066667, abs=1e-6) == 4.0 / 60.0


@pytest.mark.source("khan2013", where="central venous pressure of 5.88 mmHg", kind="published")
def test_pressure_yardstick_in_other_units():
    pressure = mmhg_to_pa(table("irrigation")["yardstick"]["pressure_mmhg"])
    assert pressure == pytest.approx(783.93, abs=0.01)
    assert pressure / 98.0665 == pytest.approx(7.994, abs=0.01)  # cmH2O


@pytest.mark.source("park2013", where="abstracts: 1, 3 and 4 mL/min", kind="published")
def test_yardsticks_of_flow_stay_apart():
    assert [y.flow_ml_per_min for y in pressure_yardsticks()] == [1.0, 3.0, 4.0]


@pytest.mark.source("boutsioukis2007", where="bore of a 30 gauge needle", kind="computed")
@pytest.mark.parametrize(
    ("flow", "speed", "reynolds"), [(0.26, 13.0945, 2082), (0.10, 5.0363, 801)]
)
def test_speed_in_the_needle(flow, speed, reynolds):
    assert jet_speed_m_per_s(0.159, flow) == pytest.approx(speed, rel=SHARE)
    assert reynolds_number(0.159, flow) == pytest.approx(reynolds, rel=SHARE)
