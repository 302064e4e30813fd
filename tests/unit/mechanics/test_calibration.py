from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from canalwright.errors import BadInput, MalformedText, OutOfRange, QuestionedUnit
from canalwright.mechanics.calibration import Calibration, KnownPass, calibrated
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.mechanics.torque_log import TorqueLog, read_torque_log

PLANTED_ENERGY, PLANTED_FRICTION = 1.7, 0.25


@dataclass(frozen=True)
class Made:
    """A synthetic log of known truth: idle, going deeper, turning at depth, idle."""

    log: TorqueLog
    known: KnownPass


def made(noise_ncm: float = 0.03, drift: float = 0.004, dwell: bool = True, seed: int = 3) -> Made:
    generator = np.random.default_rng(seed)
    time = np.arange(0.0, 16.0, 0.1)  # published logs have a value every 0.1 s
    advance = np.clip((time - 2.0) / 6.0, 0.0, 1.0)
    cutting = (time > 2.0) & (time < 8.0)
    removal = np.where(cutting, 0.02 + 0.10 * advance, 0.0)
    at_depth = (time > 2.0) & (time < (13.0 if dwell else 8.0))
    rubbing = np.where(at_depth, 6.0 * advance, 0.0)
    speed = 300.0 + 4.0 * generator.standard_normal(time.size)
    omega = speed * np.pi / 30.0
    torque = 100.0 * PLANTED_ENERGY * removal / omega + PLANTED_FRICTION * rubbing / 10.0
    torque = torque + 0.05 + drift * time + noise_ncm * generator.standard_normal(time.size)
    return Made(TorqueLog(time, speed, torque), KnownPass(removal, rubbing))


def fitted(case: Made) -> Calibration:
    return calibrated(case.log, case.known)


@pytest.mark.parametrize("seed", range(10))
def test_planted_parameters_come_back_within_ten_percent(seed: int) -> None:
    found = fitted(made(seed=seed))
    energy, friction = found.specific_cutting_energy_j_per_mm3, found.friction_coefficient
    assert energy.value == pytest.approx(PLANTED_ENERGY, rel=0.10)
    assert friction.value == pytest.approx(PLANTED_FRICTION, rel=0.10)
    assert found.drift_ncm_per_s == pytest.approx(0.004, abs=0.002)
    assert found.cautions == ()


def test_stated_uncertainty_is_the_scatter_of_many_logs() -> None:
    runs = [fitted(made(seed=seed)) for seed in range(200)]
    energies = np.array([run.specific_cutting_energy_j_per_mm3.value for run in runs])
    stated = np.mean([run.specific_cutting_energy_j_per_mm3.sd for run in runs])
    assert stated == pytest.approx(float(np.std(energies)), rel=0.2)  # 200 draws, 5 % each way


def test_without_noise_the_fit_is_exact() -> None:
    found = fitted(made(noise_ncm=0.0))
    assert found.specific_cutting_energy_j_per_mm3.value == pytest.approx(PLANTED_ENERGY)
    assert found.friction_coefficient.value == pytest.approx(PLANTED_FRICTION)
    assert found.residual_ncm == pytest.approx(0.0, abs=1e-9)


def test_calibrated_values_replace_the_assumed_ones() -> None:
    changed = fitted(made()).applied_to(DEFAULT_LOAD_PARAMETERS)
    assert changed.specific_cutting_energy_j_per_mm3.evidence == "measured"
    assert changed.friction_coefficient.sd is not None
    assert changed.fatigue_exponent == DEFAULT_LOAD_PARAMETERS.fatigue_exponent


def test_a_log_that_cannot_tell_cutting_from_rubbing_says_so() -> None:
    case = made()
    alike = KnownPass(case.known.removal_mm3_per_s, 40.0 * case.known.removal_mm3_per_s)
    codes = {c.code for c in calibrated(case.log, alike).cautions}
    assert "CALIBRATION_NOT_SEPARABLE" in codes


def test_a_log_of_another_pass_says_that_it_does_not_belong() -> None:
    case = made()
    wrong = TorqueLog(case.log.time_s, case.log.speed_rpm, 2.0 - case.log.torque_ncm)
    codes = {c.code for c in calibrated(wrong, case.known).cautions}
    assert "CALIBRATION_IMPOSSIBLE" in codes


def test_a_pass_that_removes_nothing_is_refused() -> None:
    case = made()
    nothing = KnownPass(np.zeros_like(case.log.time_s), case.known.rubbing_nmm)
    with pytest.raises(OutOfRange, match="removes nothing"):
        calibrated(case.log, nothing)
    with pytest.raises(OutOfRange, match="Number of finite values of removal rate"):
        calibrated(case.log, KnownPass(np.ones(3), np.ones(3)))


def text(header: str, factor: float = 1.0, separator: str = ",", rows: int = 30) -> str:
    lines = [header]
    for k in range(rows):
        values = (f"{0.1 * k:.2f}", "300", f"{factor * (0.5 + 0.01 * k):.4f}")
        shown = (v.replace(".", ",") for v in values) if separator == ";" else values
        lines.append(separator.join(shown))
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("header", "factor", "separator"),
    [
        ("time_s,speed_rpm,torque_ncm", 1.0, ","),
        ("Time [s];Speed [rpm];Torque [N·cm]", 1.0, ";"),
        ("Time (s)\tSpeed (rpm)\tTorque (mN·m)", 10.0, "\t"),
        ("time_s,speed_rpm,torque [gf·cm]", 101.9716, ","),
    ],
)
def test_logs_are_read_in_their_units(header: str, factor: float, separator: str) -> None:
    log = read_torque_log(text(header, factor, separator))
    assert log.time_s[-1] == pytest.approx(2.9)
    assert log.torque_ncm[[0, -1]] == pytest.approx([0.5, 0.79], rel=1e-3)
    assert np.all(log.speed_rpm == 300.0)


@pytest.mark.parametrize(
    ("content", "kind", "sentence"),
    [
        ("", MalformedText, "Torque log"),
        (text("time,speed,torque"), MalformedText, "Every column needs its unit"),
        (text("time_s,speed_rpm,force_n"), MalformedText, "Header of the torque log"),
        (text("time_s,speed_rpm,torque [bar]"), MalformedText, "Torque unit of the log 'bar'"),
        (text("time [h],speed_rpm,torque_ncm"), MalformedText, "Time unit of the log 'h'"),
        (text("time_s,speed [Hz],torque_ncm"), MalformedText, "Speed unit of the log 'Hz'"),
        (text("time_s,speed_rpm,torque_ncm", rows=5), OutOfRange, "Number of rows"),
        (text("time_s,speed_rpm,torque [N·m]"), QuestionedUnit, "no root canal instrument"),
        (
            text("time_s,speed_rpm,torque_ncm").replace("300", "abc", 1),
            MalformedText,
            "Value in the torque log 'abc' is not a number",
        ),
        (text("time_s,speed_rpm,torque_ncm").replace("0.20,", "0.05,"), OutOfRange, "Time must"),
        (text("time_s,speed_rpm,torque_ncm").replace("300", "-5", 1), OutOfRange, "Speed in the"),
        (text("time_s,speed_rpm,torque_ncm").replace("300", "0"), OutOfRange, "never turned"),
        (text("time_s,speed_rpm,torque_ncm").replace("0.5000", "nan"), OutOfRange, "Torque in the"),
    ],
)
def test_logs_that_make_no_sense_are_refused(
    content: str, kind: type[BadInput], sentence: str
) -> None:
    with pytest.raises(kind, match=sentence):
        read_torque_log(content)
