from __future__ import annotations

import csv
import random

import pytest
import yaml

from canalwright.errors import FaultyRows, UnreadableFile, UsageError
from canalwright.evidence import Evidence, Graded
from canalwright.exchange.tray_files import (
    import_tray,
    read_tray,
    tray_csv,
    tray_json_schema,
    tray_template_csv,
    tray_yaml,
    write_tray,
)
from canalwright.exchange.tray_rows import COLUMNS
from canalwright.instruments.build import profiled_instrument, tapered_instrument
from canalwright.instruments.instrument import Alloy, Kind, SectionShape, TipKind
from canalwright.instruments.standard import find_instrument
from canalwright.instruments.tray import Tray, TrayEntry, standard_tray

COLUMN_LIST = ["id", "kind", "size", "taper", "overall_length_mm", "section", "alloy",
               "rated_torque_ncm", "count"]  # fmt: skip

# (column, what a hurried hand types, a word of the complaint)
PLANTED = [
    ("size", "25mm", "size number"),
    ("size", "2500", "less than or equal"),
    ("size", "", "missing"),
    ("taper", "4", "less than or equal"),
    ("taper", "four", "not a taper"),
    ("taper", "-0.02", "greater than or equal"),
    ("overall_length_mm", "10", "Cutting part"),
    ("section", "round", "words"),
    ("alloy", "brass", "words"),
    ("rated_torque_ncm", "3 N·m", "N·cm"),
    ("count", "-1", "whole number"),
    ("kind", "electric", "words"),
]


def drawer_rows(count):
    rng = random.Random(20)
    return [
        {
            "id": f"own-{n:04d}",
            "kind": rng.choice(["hand", "engine"]),
            "size": rng.choice(["010", "15", "20", "25", "30"]),
            "taper": rng.choice(["0.02", "4 %", ".06"]),
            "overall_length_mm": rng.choice(["21", "25", "31"]),
            "section": rng.choice(["square", "triangle", ""]),
            "alloy": rng.choice(["stainless", "niti-superelastic", ""]),
            "rated_torque_ncm": rng.choice(["", "2", "150 gf·cm"]),
            "count": str(rng.randint(1, 9)),
        }
        for n in range(count)
    ]


def write_rows(path, rows, *, delimiter=","):
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMN_LIST, delimiter=delimiter)
        writer.writeheader()
        writer.writerows(rows)
    return path


def rich_tray():
    progressive = profiled_instrument(
        "progressive", (0.0, 4.0, 9.0, 16.0), (0.16, 0.25, 0.45, 0.9),
        section=SectionShape.S, knot_core_ratio=(0.5, 0.45, 0.4, 0.4),
        knot_pitch_mm=(2.0, 2.0, 2.5, 3.0), tip=TipKind.NON_CUTTING, single_use=True,
        rated_torque_ncm=Graded(1.5, "N·cm", Evidence.PUBLISHED, "iso3630", 0.1, "a, \"note\""),
        rated_speed_rpm=Graded(300.0, "rpm", Evidence.OPERATOR),
    )  # fmt: skip
    two_shapes = tapered_instrument(
        20, 0.045, id="two-shapes", kind=Kind.HAND, cutting_length_mm=18.0,
        knot_section=(SectionShape.SQUARE, SectionShape.TRIANGLE), alloy=Alloy.STAINLESS,
        section=SectionShape.SQUARE,
    )  # fmt: skip
    return Tray(
        "drawer",
        (
            TrayEntry(find_instrument("hand-10-02"), 6),
            TrayEntry(find_instrument("engine-16-045"), 0),
            TrayEntry(progressive, 2),
            TrayEntry(two_shapes),
        ),
    )


def test_fifty_planted_faults_are_all_named_and_nothing_is_imported_unconfirmed(tmp_path):
    rows = drawer_rows(1000)
    rng = random.Random(4)
    planted = {}
    for place, row in enumerate(sorted(rng.sample(range(1000), 50))):
        column, value, word = PLANTED[place % len(PLANTED)]
        rows[row][column] = value
        planted[row + 2] = (column, value, word)
    result = import_tray(write_rows(tmp_path / "drawer.csv", rows))

    assert {fault.row: fault.column for fault in result.faults} == {
        row: column for row, (column, _, _) in planted.items()
    }
    assert len(result.faults) == 50
    for fault in result.faults:
        column, value, word = planted[fault.row]
        assert fault.value == value
        assert word in fault.problem or word in fault.remedy
        assert fault.remedy
    with pytest.raises(FaultyRows) as refusal:
        result.tray()
    assert refusal.value.exit_code == 3
    assert len(refusal.value.faults) == 50
    assert "950 rows are good" in str(refusal.value)
    tray = result.tray(without_faulty_rows=True)
    assert len(tray.entries) == 950
    assert tray.name == "drawer"


def test_read_tray_refuses_a_file_with_a_fault(tmp_path):
    rows = drawer_rows(3)
    rows[1]["taper"] = "4"
    with pytest.raises(FaultyRows, match=r"1 fault in 3 rows: row 3, taper '4'.*0.04 or 4 %"):
        read_tray(write_rows(tmp_path / "drawer.csv", rows))


@pytest.mark.parametrize("suffix", [".csv", ".yaml"])
@pytest.mark.parametrize("tray", [rich_tray(), standard_tray()], ids=["rich", "standard"])
def test_round_trip_without_loss(tmp_path, tray, suffix):
    path = tmp_path / f"{tray.name}{suffix}"
    write_tray(tray, path)
    assert read_tray(path) == tray


def test_an_id_alone_is_enough_for_a_standard_instrument(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("id,count\nhand-10-02,6\nengine-25-04,\n", "utf-8")
    tray = read_tray(path)
    assert tray.instruments == (find_instrument("hand-10-02"), find_instrument("engine-25-04"))
    assert tray.count("hand-10-02") == 6
    assert tray.count("engine-25-04") == 1


def test_a_standard_instrument_of_another_length_keeps_its_origins(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("id,overall_length_mm,section,core_ratio\nhand-10-02,31,square,0.6\n", "utf-8")
    found = read_tray(path).find("hand-10-02")
    standard = find_instrument("hand-10-02")
    assert found.overall_length_mm == 31.0
    assert found.knot_core_ratio == (0.6, 0.6)
    assert found.origins == standard.origins
    assert set(found.assumed) == set(standard.assumed) - {"overall_length_mm", "section"}
    write_tray(Tray("t", (TrayEntry(found),)), path)
    assert read_tray(path).find("hand-10-02") == found


def test_semicolons_and_decimal_commas(tmp_path):
    rows = [{"id": "a", "size": "25", "taper": "0,04", "overall_length_mm": "25,0 mm"}]
    path = write_rows(tmp_path / "t.csv", rows, delimiter=";")
    instrument = read_tray(path).find("a")
    assert instrument.mean_taper_mm_per_mm == pytest.approx(0.04)
    assert "overall_length_mm" not in instrument.assumed
    assert "kind" in instrument.assumed


def test_stations_may_be_separated_so_that_semicolon_tables_need_no_quotes(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("id;diameters\na;0:0,16 | 4:0,25 | 16:0,9\n", "utf-8")
    assert read_tray(path).find("a").knot_diameter_mm == (0.16, 0.25, 0.9)


def test_torque_in_other_units_is_converted_and_marked_as_stated(tmp_path):
    rows = [{"id": "a", "size": "25", "taper": "0.04", "rated_torque_ncm": "150 gf·cm"}]
    rated = read_tray(write_rows(tmp_path / "t.csv", rows)).find("a").rated_torque_ncm
    assert rated.value == pytest.approx(1.471, abs=5e-4)  # 150 gf·cm at 9.80665 m/s²
    assert rated.evidence is Evidence.OPERATOR


@pytest.mark.parametrize(
    ("header", "row", "column", "word"),
    [
        ("id,size,taper", "a,25,0.04\na,30,0.04", "id", "already used in row 2"),
        ("id,size,taper", "hand-10-02,12,0.02", "id", "another size"),
        ("id,size,taper,diameters", "a,25,0.04,0:0.25; 16:0.9", "taper", "together"),
        ("id,diameters", "a,0:0.25; 8:0.6; 16:0.4", "diameters", "thinner"),
        ("id,diameters", "a,1:0.25; 8:0.6", "diameters", "Stations start at 0"),
        ("id,diameters", ",0:0.25; 8:0.6", "id", "missing"),
        ("id,diameters,cutting_length_mm", "a,0:0.25; 8:0.6,12", "cutting_length_mm", "8 mm"),
        ("id,size,taper,core_ratio,section", "a,25,0.04,0.2,triangle", "core_ratio", "0.35"),
        ("id,size,taper,core_ratio", "a,25,0.04,0:0.5; 20:0.5", "core_ratio", "20 mm"),
        ("id,size,taper,rated_torque_sd_ncm", "a,25,0.04,0.1", "rated_torque_ncm", "missing"),
        ("id,count", "spoon,1", "size", "no id of a known"),
        ("id,size,taper,weight", "a,25,0.04,9", "weight", "not known"),
        ("id,size,taper", "a,25,0.04,9", "the row", "4 cells for 3 columns"),
        ("id;diameters", "a;0:0,16; 4:0,25", "the row", "double quotes"),
        ("id,diameters", "a,0:0.25", "diameters", "fewer than two stations"),
        ("id,size,taper", "=1+1,25,0.04", "id", "pattern"),
        ("id,size,taper,tip", "a,25,0.04,blunt", "tip", "words"),
        ("id,size,taper,cutting_length_mm", "a,25,0.04,nan", "cutting_length_mm", "number"),
    ],
)
def test_a_fault_names_its_cell(tmp_path, header, row, column, word):
    path = tmp_path / "t.csv"
    path.write_text(f"{header}\n{row}\n", "utf-8")
    (fault,) = import_tray(path).faults
    assert fault.column == column
    assert word in fault.sentence()


@pytest.mark.parametrize(
    ("name", "text", "word"),
    [
        ("t.csv", "", "no column called id"),
        ("t.csv", "a,b\n1,2\n", "no column called id"),
        ("t.csv", "id,id\nx,y\n", "occurs twice"),
        ("t.csv", "id,size\n", "no instrument"),
        ("t.csv", 'id,size\n"x,2\n', "not a table"),
        ("t.yaml", "a: [", "not YAML at line"),
        ("t.yaml", "name: x", "schema"),
        ("t.yaml", "schema: canalwright/tray@1\nname: x\ninstruments: 3", "not a list"),
        ("t.yaml", "schema: canalwright/tray@1\nname: x\nname: y", "given twice"),
        ("t.yaml", "&a [*a]", "schema"),
        ("t.xlsx", "x", "neither"),
    ],
)
def test_files_that_are_no_tray_are_refused_in_one_sentence(tmp_path, name, text, word):
    path = tmp_path / name
    path.write_text(text, "utf-8")
    with pytest.raises(UnreadableFile, match=word):
        import_tray(path)


def test_missing_file_and_wrong_encoding(tmp_path):
    with pytest.raises(UnreadableFile, match="no such file"):
        read_tray(tmp_path / "none.csv")
    path = tmp_path / "latin.csv"
    path.write_bytes("id,color\nhand-10-02,rosé\n".encode("latin-1"))
    with pytest.raises(UnreadableFile, match="CSV UTF-8"):
        read_tray(path)


def test_writing_under_another_suffix_is_refused(tmp_path):
    with pytest.raises(UsageError, match=r"\.csv or \.yaml"):
        write_tray(standard_tray(), tmp_path / "tray.xlsx")
    assert list(tmp_path.iterdir()) == []


def test_the_template_can_be_read_and_has_every_column(tmp_path):
    path = tmp_path / "template.csv"
    path.write_text(tray_template_csv(), "utf-8", newline="")
    tray = read_tray(path)
    assert [entry.count for entry in tray.entries] == [6, 2, 1]
    heading = tray_template_csv().splitlines()[0].split(",")
    assert heading == [column for column in COLUMNS if column != "origins"]


def test_assumed_fields_are_not_written():
    text = tray_csv(Tray("t", (TrayEntry(tapered_instrument(25, 0.04, id="a")),)))
    assert text.splitlines() == ["id,count,kind,size,taper", "a,1,engine,25,0.04"]


def test_schema_covers_every_column_and_the_yaml_uses_no_other():
    schema = tray_json_schema()
    properties = set(schema["$defs"]["TrayRow"]["properties"])
    assert properties == set(COLUMNS)
    for item in yaml.safe_load(tray_yaml(rich_tray()))["instruments"]:
        assert set(item) <= properties
