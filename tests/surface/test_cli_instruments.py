"""The commands about instruments, and the documents they write."""

from __future__ import annotations

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
