"""``step --loads`` and ``calibrate``: contracts, arithmetic, round trip, and refusals."""

from __future__ import annotations

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.torque_log import TorqueLog
from canalwright.planning.known_pass import Advance, known_pass
from canalwright.shaping.shape import Pass, Shape
from support.canals import tapered_canal

ENERGY, FRICTION = 1.7, 0.25
BLOCK = tapered_canal(
    apical_mm=0.20, taper_mm_per_mm=0.03, curve_radius_mm=5.0, curved_to_mm=6.0, name="block"
)
PASS = ["--instrument", "engine-30-06", "--from-level-mm", "7"]
TIMES = ["--advance-s", "2:14", "--withdrawn-s", "26"]
TRACKS = (
    "canal_curvature_per_mm",
    "file_curvature_per_mm",
    "strain",
    "wall_force_n_per_mm",
    "torque_ncm",
    "elastic_capacity_ncm",
    "plastic_capacity_ncm",
)

run = CliRunner()


@pytest.fixture(scope="module")
def canals_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("block") / "canals.json"
    path.write_text(document_text(canals_document([BLOCK], {})), encoding="utf-8")
    return str(path)


def synthetic_log(noise_ncm=0.03, seed=3):
    """A log of known truth: idle, going deeper, turning at depth, idle; noisy and drifting."""
    generator = np.random.default_rng(seed)
    time = np.arange(0.0, 30.0, 0.1)
    speed = 300.0 + 4.0 * generator.standard_normal(time.size)
    log = TorqueLog(time, speed, np.zeros_like(time))
    made = Pass(find_instrument("engine-30-06"))
    known = known_pass(log, BLOCK, Shape.of(BLOCK), made, Advance(7.0, 2.0, 14.0, 26.0))
    torque = 100.0 * ENERGY * known.removal_mm3_per_s / (speed * np.pi / 30.0)
    torque += FRICTION * known.rubbing_nmm / 10.0 + 0.05 + 0.004 * time
    torque += noise_ncm * generator.standard_normal(time.size)
    rows = [f"{t:.1f},{s:.2f},{m:.5f}" for t, s, m in zip(time, speed, torque, strict=True)]
    return "\n".join(["time [s],speed [rpm],torque [N·cm]", *rows]) + "\n"


@pytest.fixture(scope="module")
def log_text():
    return synthetic_log()


def calibrated(canals_file, folder, text, *more):
    log = folder / "log.csv"
    log.write_text(text, encoding="utf-8")
    options = [*PASS, *TIMES, "--canal-file", canals_file, *more]
    return run.invoke(app, ["calibrate", str(log), *options])


def loads(canals_file, *arguments):
    result = run.invoke(app, ["step", canals_file, "--loads", *arguments, "--json", "-"])
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_the_load_report_is_a_part_of_the_step(canals_file):
    data = loads(canals_file, "--instrument", "engine-25-04")
    report = data["loads"]
    for track in TRACKS:
        assert len(report[track]) == len(data["level_mm"])
    assert report["fatigue_used"] is None
    assert report["remaining"] is None
    assert {contact["side"] for contact in report["contacts"]} <= {
        "inner", "outer", "across", "no curve",
    }  # fmt: skip
    assert report["convergence"]["converged"] is True
    total = report["insertion_force_n"] + report["feed_force_n"] - (report["screw_in_n"] or 0.0)
    assert report["turning_push_n"] == pytest.approx(total, abs=2e-4)
    shares = [limit["share"] for limit in report["limits"]]
    assert shares == sorted(shares, reverse=True)
    assert all(limit["text"] and limit["remedy"] for limit in report["limits"])
    assert {"ROD_MODEL", "FATIGUE_UNKNOWN", "FEED_ASSUMED"} <= {c["code"] for c in data["cautions"]}


def test_without_the_option_there_are_no_loads(canals_file):
    result = run.invoke(app, ["step", canals_file, "--instrument", "engine-25-04", "--json", "-"])
    assert json.loads(result.stdout)["loads"] is None


def test_torque_over_capacity_is_the_stated_fraction(canals_file):
    report = loads(canals_file, "--instrument", "engine-25-04")["loads"]
    torque, capacity = np.array(report["torque_ncm"]), np.array(report["plastic_capacity_ncm"])
    assert np.max(torque / capacity) == pytest.approx(report["plastic_fraction"], abs=2e-3)


def test_a_fatigue_test_gives_use_and_life_in_seconds(canals_file):
    options = ["--instrument", "engine-25-04", "--fatigue-test"]
    data = loads(canals_file, *options, "3%:600")
    left, seconds = data["loads"]["remaining"], data["loads"]["time_s"]
    assert left["mean_s"] == pytest.approx(seconds * (1 / left["damage"] - 1), rel=0.01)
    assert data["fatigue_fraction"] > 0.0
    assert data["inputs"]["fatigue_test"] == "3%:600"
    # Life is proportional to the cycles of the test point.
    doubled = loads(canals_file, *options, "0.03:1200")["loads"]["remaining"]
    assert doubled["damage"] == pytest.approx(left["damage"] / 2, rel=1e-3)


def test_people_get_tables_and_a_figure(canals_file, tmp_path):
    arguments = ["--instrument", "engine-25-04", "--loads", "--fatigue-test", "0.03:600"]
    result = run.invoke(app, ["step", canals_file, *arguments, "--figures", str(tmp_path)])
    assert result.exit_code == 0, result.stderr
    for words in (
        "Loads on engine-25-04 in block (estimates)",
        "Wall forces from the tip up",
        "Last advance by depth of the peck",
        "What limits",
        "Axial force: bending alone asks for",
        "s left there at",
    ):
        assert words in result.stdout
    figure = (tmp_path / "loads-block-engine-25-04.svg").read_text(encoding="utf-8")
    for track in ("place", "curvature", "strain", "forces", "torque", "fatigue"):
        assert f'id="{track}"' in figure
    for words in ("INVENTED DATA", "Nearest to its limit", "estimates of a model"):
        assert words in figure
    assert (tmp_path / "loads-block-engine-25-04.png").stat().st_size > 10_000


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["--loads", "--fatigue-test", "3"], 3, "--fatigue-test '3'"),
        (["--loads", "--fatigue-test", "0.03:inf"], 3, "--fatigue-test '0.03:inf'"),
        (["--loads", "--fatigue-test", "3:600"], 3, "is a ratio: 4 % is 0.04"),
        (["--loads", "--fatigue-test", "0.03:0"], 3, "cycles of the fatigue test is 0"),
        (["--loads", "--peck-mm", "0"], 3, "depth of a peck is 0 mm"),
        (["--loads", "--play-mm", "1"], 3, "play of the instrument is 1 mm"),
        (["--figures", "figures"], 2, "give --loads as well"),
        (["--loads", "--load-parameters", "none.json"], 3, "there is no such file"),
        (["--loads", "--load-parameters", "CANALS"], 3, "its schema is 'canalwright/canals@1'"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(canals_file, tmp_path, arguments, code, sentence):
    target = tmp_path / "step.json"
    given = [canals_file if part == "CANALS" else part for part in arguments]
    options = ["--instrument", "engine-25-04", *given, "--json", str(target)]
    result = run.invoke(app, ["step", canals_file, *options])
    assert result.exit_code == code
    assert sentence.lower() in " ".join(result.stderr.split()).lower()
    assert len(result.stderr.strip().splitlines()) == 1
    assert not target.exists()


def test_planted_parameters_come_back_within_ten_percent(canals_file, tmp_path, log_text):
    target = tmp_path / "calibration.json"
    result = calibrated(
        canals_file, tmp_path, log_text, "--json", str(target), "--figures", str(tmp_path)
    )
    assert result.exit_code == 0, result.stderr
    assert "specific cutting energy" in result.stdout
    data = json.loads(target.read_text("utf-8"))
    assert data["schema"] == "canalwright/calibration@1"
    assert data["specific_cutting_energy_j_per_mm3"]["value"] == pytest.approx(ENERGY, rel=0.10)
    assert data["friction_coefficient"]["value"] == pytest.approx(FRICTION, rel=0.10)
    assert 0.0 < data["friction_coefficient"]["sd"] < 0.1 * FRICTION
    assert data["inputs"]["options"]["advance_s"] == [2.0, 14.0]
    assert len(data["inputs"]["log"]["sha256"]) == 64
    assert len(data["fitted_ncm"]) == len(data["time_s"]) == 300
    figure = (tmp_path / "calibration-block.svg").read_text(encoding="utf-8")
    assert 'id="torque"' in figure
    assert "measured and fitted torque" in figure
    assert "INVENTED CANAL" in figure


def test_a_calibration_replaces_the_assumed_values(canals_file, tmp_path, log_text):
    target = tmp_path / "calibration.json"
    assert calibrated(canals_file, tmp_path, log_text, "--json", str(target)).exit_code == 0
    before = loads(canals_file, "--instrument", "engine-25-04")
    after = loads(canals_file, "--instrument", "engine-25-04", "--load-parameters", str(target))
    energy = after["loads"]["parameters"]["specific_cutting_energy_j_per_mm3"]
    assert energy["evidence"] == "measured"
    assert after["peak_torque_ncm"] == pytest.approx(
        before["peak_torque_ncm"] * energy["value"], rel=1e-3
    )
    codes = {c["code"] for c in after["cautions"]}
    assert "TORQUE_CALIBRATED" in codes
    assert "TORQUE_ASSUMED_PARAMETERS" not in codes
    assert len(after["inputs"]["load_parameters_sha256"]) == 64


def test_a_calibration_that_must_not_be_used_is_refused(canals_file, tmp_path, log_text):
    target = tmp_path / "calibration.json"
    rows = log_text.splitlines()
    turned = [rows[0]]
    for row in rows[1:]:
        time, speed, torque = row.split(",")
        turned.append(f"{time},{speed},{-float(torque):.5f}")
    result = calibrated(canals_file, tmp_path, "\n".join(turned), "--json", str(target))
    assert "CALIBRATION_IMPOSSIBLE" in result.stderr
    options = ["--instrument", "engine-25-04", "--loads", "--load-parameters", str(target)]
    result = run.invoke(app, ["step", canals_file, *options])
    assert result.exit_code == 3
    assert "did not belong together" in result.stderr


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("time [s],speed [rpm],torque [N·cm]", "time,speed,torque", "Every column needs its unit"),
        ("torque [N·cm]", "torque [bar]", "torque unit of the log 'bar'"),
        ("torque [N·cm]", "torque [N·m]", "no root canal instrument survives that"),
        ("speed [rpm]", "speed [Hz]", "speed unit of the log 'Hz'"),
        ("speed [rpm]", "force [N]", "header of the torque log"),
        ("\n5.0,", "\n1.0,", "time must increase"),
    ],
)
def test_logs_that_make_no_sense_are_refused(canals_file, tmp_path, log_text, old, new, sentence):
    target = tmp_path / "calibration.json"
    changed = log_text.replace(old, new, 1)
    assert changed != log_text
    result = calibrated(canals_file, tmp_path, changed, "--json", str(target))
    assert result.exit_code == 3
    assert sentence.lower() in " ".join(result.stderr.split()).lower()
    assert len(result.stderr.strip().splitlines()) == 1
    assert not target.exists()


def test_times_that_are_not_in_the_log_are_refused(canals_file, tmp_path, log_text):
    for times, sentence in (("2:90", "advance ends is 90 s"), ("soon", "--advance-s 'soon'")):
        log = tmp_path / "log.csv"
        log.write_text(log_text, encoding="utf-8")
        options = [*PASS, "--advance-s", times, "--canal-file", canals_file]
        result = run.invoke(app, ["calibrate", str(log), *options])
        assert result.exit_code == 3
        assert sentence in result.stderr
    result = run.invoke(
        app, ["calibrate", str(tmp_path / "no.csv"), *PASS, *TIMES, "--canal-file", canals_file]
    )
    assert result.exit_code == 3
    assert "there is no such file" in result.stderr


def planned_with(canals_file, command, *more):
    result = run.invoke(app, [*command, canals_file, *more, "--json", "-"])
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


COMMANDS = {
    "plan": ["plan", "--target-size", "25", "--target-taper", "0.04", "--samples", "64"],
    "simulate": ["simulate", "--sequence", "hand-20-02,engine-25-04"],
    "protocols": ["protocols", "--sequence", "short=hand-20-02,engine-25-04"],
}


def steps_of(command, data):
    if command == "plan":
        return data["plans"][0]["sequence"]
    return data["sequence"] if command == "simulate" else data["protocols"][0]["sequence"]


@pytest.mark.parametrize("command", COMMANDS)
def test_calibration_and_fatigue_tests_reach_every_command(
    canals_file, tmp_path, log_text, command
):
    target = tmp_path / "calibration.json"
    assert calibrated(canals_file, tmp_path, log_text, "--json", str(target)).exit_code == 0
    # Kept centered, torque is that of cutting alone and proportional to its energy.
    arguments = [*COMMANDS[command], *(["--concentric"] if command == "simulate" else [])]
    plain = planned_with(canals_file, arguments)
    assert plain["load_parameters"]["specific_cutting_energy_j_per_mm3"]["evidence"] == "assumed"
    assert "load_parameters" not in plain["inputs"]
    options = ["--load-parameters", str(target), "--fatigue-test", "engine-25-04=3%:600"]
    data = planned_with(canals_file, arguments, *options)
    energy = data["load_parameters"]["specific_cutting_energy_j_per_mm3"]
    assert energy["evidence"] == "measured"
    test_point = data["load_parameters"]["fatigue_coefficient of engine-25-04"]
    assert test_point["evidence"] == "stated by the operator"
    assert data["inputs"]["fatigue_test"] == "engine-25-04=3%:600"
    assert len(data["inputs"]["load_parameters_sha256"]) == 64
    if command == "plan":
        # What is uncertain is the fitted value, so its spread must be smaller than the assumed.
        torque = [
            next(
                one for one in d["uncertainty"]["limits"] if one["constraint"] == "torque_fraction"
            )
            for d in (plain, data)
        ]
        assert torque[1]["high"] / torque[1]["median"] < torque[0]["high"] / torque[0]["median"]
    elif command == "protocols":  # with rubbing, as plan: between the two parameters' own changes
        friction = [d["load_parameters"]["friction_coefficient"]["value"] for d in (plain, data)]
        low, high = sorted((energy["value"], friction[1] / friction[0]))
        for before, after in zip(steps_of(command, plain), steps_of(command, data), strict=True):
            assert low - 0.01 <= after["peak_torque_ncm"] / before["peak_torque_ncm"] <= high + 0.01
    else:  # the same steps; a plan may take others where torque counts for more
        for before, after in zip(steps_of(command, plain), steps_of(command, data), strict=True):
            expected = before["peak_torque_ncm"] * energy["value"]
            assert after["peak_torque_ncm"] == pytest.approx(expected, abs=3e-4)
    for after in steps_of(command, data):
        tested = after["instrument"] == "engine-25-04"
        assert (after["fatigue_fraction"] is not None) is tested
        codes = {c["code"] for c in after["cautions"]}
        assert "TORQUE_CALIBRATED" in codes
        assert ("FATIGUE_UNKNOWN" in codes) is not tested


def test_a_fatigue_test_of_an_unknown_instrument_is_refused(canals_file):
    options = ["--sequence", "engine-25-04", "--fatigue-test", "blue-file=3%:600"]
    result = run.invoke(app, ["simulate", canals_file, *options])
    assert result.exit_code == 2
    assert "blue-file" in result.stderr
