from __future__ import annotations

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.concentric import concentric_loads
from canalwright.mechanics.insertion import InsertionLoads, insertion_loads
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from support.canals import tapered_canal

CANAL = tapered_canal(apical_mm=0.30, taper_mm_per_mm=0.05, curve_radius_mm=7.0)
FILE = find_instrument("engine-25-04")


def inserted(
    area: float = 0.01, parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS
) -> InsertionLoads:
    return insertion_loads(
        CANAL,
        FILE,
        0.0,
        np.full_like(CANAL.level_mm, area),
        speed_rpm=300.0,
        advance_time_s=8.0,
        parameters=parameters,
    )


def test_cutting_torque_is_that_of_the_concentric_model_plus_rubbing() -> None:
    got = inserted()
    plain = concentric_loads(
        FILE,
        CANAL.level_mm,
        np.zeros_like(CANAL.level_mm),
        0.0,
        np.full_like(CANAL.level_mm, 0.01),
        speed_rpm=300.0,
        advance_time_s=8.0,
        parameters=DEFAULT_LOAD_PARAMETERS,
    )
    rubbing = 0.2 * np.sum(got.rod.wall_force_n * got.rod.radius_mm) / 10.0
    assert got.loads.peak_torque_ncm == pytest.approx(plain.peak_torque_ncm + rubbing, rel=0.01)
    assert got.loads.capacity_ncm == pytest.approx(plain.capacity_ncm)


def test_strain_is_that_of_the_true_shape() -> None:
    got = inserted()
    assert got.loads.peak_strain == pytest.approx(float(np.max(got.rod.strain)), rel=0.02)
    codes = {c.code for c in got.cautions}
    assert "ROD_MODEL" in codes
    assert "STRAIN_UPPER_BOUND" not in codes
    # In a tight curve the strain is out of range, and said once.
    tight = tapered_canal(apical_mm=0.30, taper_mm_per_mm=0.05, curve_radius_mm=4.0)
    sharp = insertion_loads(
        tight,
        find_instrument("engine-30-06"),
        0.0,
        np.zeros_like(tight.level_mm),
        speed_rpm=300.0,
        advance_time_s=8.0,
        parameters=DEFAULT_LOAD_PARAMETERS,
    )
    assert [c.code for c in sharp.cautions].count("EXTRAPOLATED_STRAIN") == 1


def test_wall_force_per_length_keeps_the_total() -> None:
    got = inserted()
    width = np.full_like(CANAL.level_mm, 0.1)
    width[[0, -1]] = 0.05
    total = float(got.wall_force_n_per_mm @ width)
    assert total == pytest.approx(float(got.rod.wall_force_n.sum()), rel=1e-9)


def test_limits_are_ranked_and_say_what_helps() -> None:
    got = inserted(parameters=DEFAULT_LOAD_PARAMETERS.with_fatigue_test(0.03, 60.0))
    assert [limit.share for limit in got.limits] == sorted(
        (limit.share for limit in got.limits), reverse=True
    )
    assert {limit.name for limit in got.limits} == {"strain", "torque", "fatigue"}
    assert all(limit.remedy and limit.text for limit in got.limits)
    assert {"FATIGUE_TEMPERATURE", "FATIGUE_SPEED", "FATIGUE_DESIGN"} <= {
        c.code for c in got.cautions
    }
    assert "fatigue" not in {limit.name for limit in inserted().limits}
    assert "FATIGUE_SPEED" not in {c.code for c in inserted().cautions}


def test_removed_area_must_be_given_per_level() -> None:
    with pytest.raises(OutOfRange):
        insertion_loads(
            CANAL,
            FILE,
            0.0,
            np.zeros(3),
            speed_rpm=300.0,
            advance_time_s=8.0,
            parameters=DEFAULT_LOAD_PARAMETERS,
        )
