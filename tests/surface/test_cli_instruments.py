"""The commands about instruments, and the documents they write."""

from __future__ import annotations

import hashlib
import json

import pytest
from typer.testing import CliRunner

from canalwright.cli.app import app

run = CliRunner()


def json_of(*arguments):
    result = run.invoke(app, [*arguments, "--json", "-"])
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_compare_writes_the_contract():
    data = json_of("compare", "hand-10-02", "hand-15-02")
    assert data["schema"] == "canalwright/comparison@1"
    assert {"version", "inputs", "cautions"} <= set(data)
    assert [row["station_mm"] for row in data["rows"]] == [0, 4, 8, 12, 16]
    first = data["rows"][0]
    # Taper arithmetic: 0.15 / 0.10 - 1, and the square of it for the area.
    assert first["difference_mm"] == 0.05
    assert first["difference_percent"] == 50.0
    assert first["area_percent"] == 125.0


def test_compare_at_chosen_stations_prints_a_table_with_units():
    result = run.invoke(app, ["compare", "hand-10-02", "engine-16-02", "--stations", "0,1"])
    assert result.exit_code == 0
    assert "hand-10-02 mm" in result.stdout
    assert "+60.0 %" in result.stdout
    assert "Cautions" in result.stderr


def test_instruments_list_holds_the_standard_series():
    data = json_of("instruments", "list", "--kind", "hand")
    assert data["schema"] == "canalwright/instruments@1"
    ids = [record["id"] for record in data["instruments"]]
    assert ids[0] == "hand-06-02"
    assert ids[-1] == "hand-140-02"
    assert data["catalog_edition"]


def test_instruments_show_says_what_is_assumed():
    data = json_of("instruments", "show", "engine-25-04")
    (record,) = data["instruments"]
    assert record["diameter_mm"][0] == 0.25
    assert record["rated_torque_ncm"]["evidence"] == "common practice, no source"
    assert "alloy" in record["assumed"]
    assert "INSTRUMENT_ASSUMED" in {caution["code"] for caution in data["cautions"]}


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["compare", "hand-10-02", "file-99"], 2, "no instrument called 'file-99'"),
        (["instruments", "show", "nosuch"], 2, "no instrument called 'nosuch'"),
        (["instruments", "list", "--kind", "foot"], 2, "no kind of instrument called 'foot'"),
        (["compare", "hand-10-02", "hand-15-02", "--stations", "0,x"], 3, "'0,x' is not numbers"),
        (["compare", "hand-10-02", "hand-15-02", "--stations", "0;4,5"], 3, "with a point"),
        (["compare", "hand-10-02", "hand-15-02", "--stations", "-1"], 3, "is -1 mm; allowed"),
        (["compare", "hand-10-02", "hand-15-02", "--stations", "nan"], 3, "'nan' is not numbers"),
        (["instruments", "show", "hand-10-02", "--stations", "99"], 3, "is 99 mm; allowed"),
        (["compare", "hand-900-02", "hand-15-02"], 3, "900"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(arguments, code, sentence, tmp_path):
    target = tmp_path / "out.json"
    result = run.invoke(app, [*arguments, "--json", str(target)])
    assert result.exit_code == code
    assert result.stdout == ""
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert not target.exists()


def test_a_target_in_a_folder_that_does_not_exist_is_bad_usage(tmp_path):
    target = tmp_path / "none" / "out.json"
    result = run.invoke(app, ["compare", "hand-10-02", "hand-15-02", "--json", str(target)])
    assert result.exit_code == 2
    assert "does not exist" in result.stderr


@pytest.fixture
def template(tmp_path):
    path = tmp_path / "tray.csv"
    assert run.invoke(app, ["instruments", "template", "--to", str(path)]).exit_code == 0
    return path


def test_a_tray_template_is_a_valid_tray(template, tmp_path):
    result = run.invoke(app, ["instruments", "check", str(template)])
    assert result.exit_code == 0
    assert "3 rows, no faults" in result.stdout
    target = tmp_path / "tray.yaml"
    result = run.invoke(app, ["instruments", "import", str(template), "--to", str(target)])
    assert result.exit_code == 0
    data = json_of("instruments", "list", "--tray", str(target))
    ids = [record["id"] for record in data["instruments"]]
    assert ids == ["hand-10-02", "example-25-04", "example-progressive"]


def test_instruments_of_a_tray_can_be_compared(template):
    data = json_of(
        "compare", "hand-10-02", "example-progressive", "--tray", str(template), "--stations", "0"
    )
    assert data["rows"][0]["difference_percent"] == 60.0


def test_a_faulty_row_is_named_and_nothing_is_written(template, tmp_path):
    template.write_text(template.read_text("utf-8").replace("0.04", "4"), encoding="utf-8")
    target = tmp_path / "tray.yaml"
    arguments = ["instruments", "import", str(template), "--to", str(target)]
    result = run.invoke(app, arguments)
    assert result.exit_code == 3
    assert "row 3, taper '4'" in result.stdout
    assert "2 rows are good" in result.stderr
    assert not target.exists()
    assert run.invoke(app, ["instruments", "check", str(template)]).exit_code == 3
    assert run.invoke(app, [*arguments, "--without-faulty-rows"]).exit_code == 0
    assert target.exists()


PROGRESSIVE = (
    "id,kind,diameters,section,core_ratio,alloy\n"
    "invented-progressive,engine,0:0.16; 4:0.26; 8:0.42; 12:0.62; 16:0.86,S,0.4,niti-heat-treated\n"
)


@pytest.fixture
def drawer(tmp_path):
    path = tmp_path / "drawer.csv"
    path.write_text(PROGRESSIVE, encoding="utf-8")
    return path


def test_a_progressive_taper_is_equal_at_the_tip_and_grows_coronally(drawer, tmp_path):
    figures = tmp_path / "figures"
    pair = ["compare", "hand-15-02", "invented-progressive", "--tray", str(drawer)]
    result = run.invoke(app, [*pair, "--figures", str(figures)])
    assert result.exit_code == 0, result.stderr
    assert "From D0 to D4.5 the two may measure the same" in result.stdout
    assert "The difference grows from 0.01 mm (+7 %) at D0 to 0.39 mm (+83 %)" in result.stdout
    data = json_of(*pair)
    rows = data["rows"]
    # 0.16 0.26 0.42 0.62 0.86 against 0.15 0.23 0.31 0.39 0.47, by hand
    assert [row["difference_mm"] for row in rows] == [0.01, 0.03, 0.11, 0.23, 0.39]
    assert [row["within_tolerance"] for row in rows] == [True, True, False, False, False]
    assert data["equal_within_tolerance"] == [{"from_station_mm": 0.0, "to_station_mm": 4.5}]
    svg = (figures / "hand-15-02-and-invented-progressive.svg").read_text("utf-8")
    for shown in ("may measure", "+0.01", "+0.39", "+83 %", "hand 15/.02", "invented-progressive"):
        assert shown in svg
    assert (figures / "hand-15-02-and-invented-progressive.png").stat().st_size > 20_000


def test_compare_states_mechanics_and_takes_more_than_two(drawer):
    several = ["compare", "engine-25-04", "engine-25-06", "engine-30-04"]
    data = json_of(*several, "--curve-radius-mm", "8", "--curve-station-mm", "4")
    assert [record["b"]["id"] for record in data["further"]] == ["engine-30-04"]
    first, second = data["mechanics"]
    assert (first["a"], first["b"], second["b"]) == (
        "engine-25-04", "engine-25-06", "engine-30-04",
    )  # fmt: skip
    # strength follows the cube of the diameter at D3: 0.43 against 0.37
    assert first["strength_ratio"] == pytest.approx((0.43 / 0.37) ** 3, abs=1e-4)
    # life falls with the square of the strain at D4: 0.49 against 0.41
    assert first["life_ratio"] == pytest.approx((0.41 / 0.49) ** 2, abs=1e-4)
    assert first["curve_radius_mm"] == 8.0
    assert "not compared" in run.invoke(app, ["compare", "hand-15-02", "engine-15-02"]).stdout


def test_show_states_stiffness_and_strength_without_claiming_conformity():
    result = run.invoke(app, ["instruments", "show", "hand-25-02"])
    assert result.exit_code == 0
    assert "at most 1.18 N·cm (value from memory)" in result.stdout
    assert "at least 0.294 N·cm (value from memory)" in result.stdout
    assert "no statement of conformity" in result.stdout
    assert "not computed" in result.stdout
    assert "conforms" not in result.stdout
    (mechanics,) = json_of("instruments", "show", "hand-25-02")["mechanics"]
    assert mechanics["bending"]["largest_ncm"]["evidence"] == "value from memory"
    assert mechanics["torsion"]["angle_at_failure_deg"] is None
    assert mechanics["torsion_standing"] == "the computed value is on the allowed side"


def test_show_knows_no_limit_for_other_instruments(drawer):
    shown = run.invoke(
        app, ["instruments", "show", "invented-progressive", "--tray", str(drawer)]
    ).stdout
    assert "no limit is known for such an instrument" in shown
    assert "core 0.4 of the diameter" in shown
    assert "stated by the operator" in shown


def test_a_warmer_superelastic_instrument_is_stiffer_at_45_degrees():
    moments = []
    for temperature in ("22", "37"):
        data = json_of("instruments", "show", "engine-25-04", "--temperature-c", temperature)
        moments.append(data["mechanics"][0]["bending"]["moment_ncm"])
    assert moments[0] < moments[1]
    steel = run.invoke(app, ["instruments", "show", "hand-25-02", "--temperature-c", "22"])
    assert "TEMPERATURE_IGNORED" in steel.stderr


def test_a_torque_limit_above_the_strength_is_cautioned(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("id,size,taper,rated_torque_ncm\nown,25,0.04,5\n", encoding="utf-8")
    shown = run.invoke(app, ["instruments", "show", "own", "--tray", str(path)])
    assert "TORQUE_LIMIT_ABOVE_STRENGTH" in shown.stderr


def test_measured_diameters_are_checked_against_the_nominal_profile():
    data = json_of("instruments", "check", "hand-25-02", "--measured", "0:0.262,3:0.335")
    assert data["schema"] == "canalwright/gauging@1"
    assert [row["deviation_mm"] for row in data["rows"]] == [0.012, 0.025]
    assert [row["verdict"] for row in data["rows"]] == ["within tolerance", "outside tolerance"]
    assert data["verdict"] == "outside tolerance"
    assert "NOT_CONFORMITY" in {caution["code"] for caution in data["cautions"]}
    printed = run.invoke(
        app,
        ["instruments", "check", "hand-25-02", "--measured", "3:0.335", "--reading-sd-mm", "0.005"],
    )
    assert "cannot be decided" in printed.stdout


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["hand-25-02"], 2, "--measured"),
        (["hand-25-02", "--measured", "0.26"], 3, "pairs such as 0:0.26"),
        (["hand-25-02", "--measured", "20:0.26"], 3, "20 mm"),
        (["hand-25-02", "--measured", "0:26"], 3, "size 25 is 0.25"),
        (["spoon", "--measured", "0:0.26"], 2, "no instrument called 'spoon'"),
        (["missing.csv"], 3, "there is no such file"),
    ],
)
def test_what_cannot_be_checked_is_said_in_one_sentence(arguments, code, sentence):
    result = run.invoke(app, ["instruments", "check", *arguments])
    assert result.exit_code == code
    assert sentence in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


def test_alloys_are_listed_with_their_origin_and_can_be_edited(tmp_path):
    listed = run.invoke(app, ["instruments", "alloys"]).stdout
    assert "from memory (duerig1990)" in listed
    path = tmp_path / "tray.yaml"
    assert run.invoke(app, ["instruments", "template", "--to", str(path)]).exit_code == 0
    edited = path.read_text("utf-8").replace("value: 35000.0", "value: 30000.0")
    path.write_text(edited, "utf-8")
    show = ["instruments", "show", "example-25-04", "--tray", str(path)]
    (record,) = json_of(*show)["instruments"]
    assert record["own_alloy"]["values"]["elastic_modulus_mpa"]["value"] == 30000.0


def test_the_schema_of_trays_can_be_printed():
    printed = run.invoke(app, ["instruments", "schema"]).stdout
    assert json.loads(printed)["properties"]["schema"]["const"] == "canalwright/tray@1"


def test_a_tray_lists_how_many_are_on_hand(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("id,count\nhand-10-02,6\nhand-15-02,0\n", encoding="utf-8")
    data = json_of("instruments", "list", "--tray", str(path))
    assert data["on_hand"] == {"hand-10-02": 6, "hand-15-02": 0}
    assert data["inputs"]["tray_sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
