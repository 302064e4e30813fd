from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Alloy, Instrument, Kind, SectionShape
from canalwright.mechanics.concentric import PassLoads, concentric_loads
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters

LEVEL = np.linspace(0.0, 14.0, 281)
CURVED = np.where((LEVEL >= 2.0) & (LEVEL <= 6.0), 1 / 5.0, 0.0)


def engine(**changes: object) -> Instrument:
    made = Instrument(
        id="engine-25-04",
        kind=Kind.ENGINE,
        size=25,
        knot_station_mm=(0.0, 16.0),
        knot_diameter_mm=(0.25, 0.89),
        section=SectionShape.TRIANGLE,
        alloy=Alloy.NITI_SUPERELASTIC,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def loads(
    area: float = 0.02,
    tip: float = 0.0,
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS,
    speed: float = 300.0,
    time: float = 8.0,
    **more: float,
) -> PassLoads:
    removed = np.full_like(LEVEL, area)
    return concentric_loads(
        engine(),
        LEVEL,
        CURVED,
        tip,
        removed,
        speed_rpm=speed,
        advance_time_s=time,
        parameters=parameters,
        **more,
    )


def test_peak_strain_is_where_the_thick_end_of_the_curve_bends() -> None:
    result = loads()
    assert result.peak_strain_level_mm == pytest.approx(6.0, abs=0.051)
    assert result.peak_strain == pytest.approx((0.25 + 0.04 * 6.0) / 2 / 5.0, rel=0.01)
    assert result.peak_strain_station_mm == result.peak_strain_level_mm


def test_a_shorter_insertion_puts_a_thinner_part_in_the_curve() -> None:
    result = loads(tip=1.5)
    assert result.peak_strain_station_mm == pytest.approx(4.5, abs=0.051)
    assert result.peak_strain < loads().peak_strain
    assert np.all(result.strain[result.station_mm < -1e-9] == 0.0)


def test_torque_is_the_cutting_identity_on_the_whole_volume() -> None:
    result = loads()
    # 0.02 mm² over 14 mm in 8 s: 0.035 mm³/s at 1 J/mm³ and 10π rad/s.
    assert result.peak_torque_ncm == pytest.approx(0.1 * 35.0 / (10 * np.pi), rel=1e-9)
    assert result.torque_ncm[0] == 0.0
    assert np.all(np.diff(result.torque_ncm) > 0.0)


def test_more_contact_area_more_torque() -> None:
    torques = [loads(area=a).peak_torque_ncm for a in (0.005, 0.01, 0.02, 0.04)]
    assert torques == sorted(set(torques))


def test_faster_turning_cuts_the_same_volume_with_less_torque() -> None:
    assert loads(speed=600.0).peak_torque_ncm == pytest.approx(loads().peak_torque_ncm / 2)


def test_axial_push_adds_friction() -> None:
    # .04 taper, even engagement over the 14 mm: mean radius (0.25 + 0.04·7)/2.
    added = loads(axial_force_n=2.0).peak_torque_ncm - loads().peak_torque_ncm
    assert added == pytest.approx(0.1 * 0.2 * 2.0 * 0.265 / np.sin(np.arctan(0.02)), rel=1e-6)


def test_without_cutting_there_is_no_torque() -> None:
    result = loads(area=0.0, axial_force_n=2.0)
    assert result.peak_torque_ncm == 0.0
    assert (result.torque_fraction, result.torque_worst_station_mm) == (0.0, 0.0)


def test_fatigue_is_unknown_until_a_test_point_is_given() -> None:
    result = loads()
    assert result.fatigue_fraction is None
    assert result.fatigue_used is None
    assert "FATIGUE_UNKNOWN" in {c.code for c in result.cautions}


def test_fatigue_of_a_pass_at_the_tested_strain() -> None:
    tested = DEFAULT_LOAD_PARAMETERS.with_fatigue_test(loads().peak_strain, 400.0)
    result = loads(parameters=tested)
    # 8 s at 300 rpm are 40 turns of 400.
    assert result.fatigue_fraction == pytest.approx(0.1)
    assert tested.fatigue_coefficient is not None
    assert "400 cycles" in tested.fatigue_coefficient.note
    assert "FATIGUE_UNCERTAIN" in {c.code for c in result.cautions}


def test_estimates_say_that_they_are() -> None:
    codes = [c.code for c in loads().cautions]
    assert codes[:2] == ["STRAIN_UPPER_BOUND", "TORQUE_ASSUMED_PARAMETERS"]
    assert "EXTRAPOLATED_STRAIN" in codes  # 4.9 % in this curve
    eager = replace(
        DEFAULT_LOAD_PARAMETERS,
        specific_cutting_energy_j_per_mm3=Graded(80.0, "J/mm³", Evidence.ASSUMED),
    )
    assert "IMPLAUSIBLE_TORQUE" in {c.code for c in loads(parameters=eager).cautions}


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"speed": 0.0}, "Speed is 0 rpm"),
        ({"time": 0.0}, "Time of the pass is 0 s"),
        ({"area": -0.1}, "Removed area is -0.1 mm²"),
        ({"area": float("nan")}, "Removed area is nan"),
    ],
)
def test_impossible_passes_are_refused(changes: dict[str, float], sentence: str) -> None:
    with pytest.raises(OutOfRange, match=sentence):
        loads(**changes)


def test_arrays_must_share_the_level_axis() -> None:
    with pytest.raises(OutOfRange, match="Number of values of curvature is 3"):
        concentric_loads(
            engine(),
            LEVEL,
            [0.0, 0.1, 0.2],
            0.0,
            np.zeros_like(LEVEL),
            speed_rpm=300.0,
            advance_time_s=1.0,
            parameters=DEFAULT_LOAD_PARAMETERS,
        )


def test_every_default_states_its_evidence() -> None:
    for name in LoadParameters.__dataclass_fields__:
        graded = getattr(DEFAULT_LOAD_PARAMETERS, name)
        if name == "fatigue_coefficient":
            assert graded is None
        elif name == "own_fatigue_coefficients":
            assert graded == ()
        else:
            assert isinstance(graded, Graded)
            assert graded.note
    assert {DEFAULT_LOAD_PARAMETERS.shear_strength_mpa(a).value for a in Alloy} == {1212.0, 866.0}
