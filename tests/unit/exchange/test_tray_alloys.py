from __future__ import annotations

import pytest

from canalwright.errors import MalformedText, UnreadableFile, UsageError
from canalwright.evidence import Evidence
from canalwright.exchange.tray_files import (
    import_tray,
    read_tray,
    tray_csv,
    tray_json_schema,
    tray_template_yaml,
    write_tray,
)
from canalwright.instruments.alloys import alloy_of, alloy_set, edited
from canalwright.instruments.build import tapered_instrument
from canalwright.instruments.instrument import Alloy
from canalwright.instruments.tray import Tray, TrayEntry
from canalwright.mechanics.bench_tests import bending_test, torsion_test

HEAD = "schema: canalwright/tray@1\nname: drawer\n"
SOFT = """alloys:
- name: soft-wire
  class: niti-superelastic
  elastic_modulus_mpa: 50000
  plateau_stress_mpa: {value: 380, evidence: measured, sd: 15, note: tensile test}
"""
ROW = "instruments:\n- {id: own, size: 25, taper: 0.04, alloy: soft-wire}\n"


@pytest.fixture
def tray(tmp_path):
    path = tmp_path / "drawer.yaml"
    path.write_text(HEAD + SOFT + ROW, "utf-8")
    return read_tray(path)


def test_an_instrument_takes_the_edited_values_and_the_rest_of_its_class(tray):
    alloy = alloy_of(tray.find("own"))
    assert alloy.name == "soft-wire"
    assert alloy.alloy is Alloy.NITI_SUPERELASTIC
    assert alloy.elastic_modulus_mpa.value == 50000.0
    assert alloy.elastic_modulus_mpa.evidence is Evidence.OPERATOR
    assert alloy.plateau_stress_mpa.evidence is Evidence.MEASURED
    assert alloy.plateau_stress_mpa.sd == 15.0
    assert alloy.poisson_ratio == alloy_set(Alloy.NITI_SUPERELASTIC).poisson_ratio
    assert "alloy" not in tray.find("own").assumed


def test_stiffness_follows_the_edited_modulus(tray):
    own = tray.find("own")
    usual = tapered_instrument(25, 0.04, id="usual", alloy=Alloy.NITI_SUPERELASTIC)
    ratio = bending_test(own).stiffness_nmm_per_rad / bending_test(usual).stiffness_nmm_per_rad
    assert ratio == pytest.approx(50 / 70, rel=1e-6)
    twist = torsion_test(own).stiffness_nmm_per_rad / torsion_test(usual).stiffness_nmm_per_rad
    assert twist == pytest.approx(50 / 70)


def test_round_trip_without_loss(tray, tmp_path):
    path = tmp_path / "again.yaml"
    write_tray(tray, path)
    assert read_tray(path) == tray


def test_a_table_has_no_place_for_an_alloy(tray):
    with pytest.raises(UsageError, match=r"'soft-wire'; write the tray as \.yaml"):
        tray_csv(tray)


def test_two_alloys_of_one_name_are_refused():
    steel = alloy_set(Alloy.STAINLESS)
    entries = tuple(
        TrayEntry(
            tapered_instrument(
                25, 0.02, id=str(modulus), alloy=Alloy.STAINLESS,
                own_alloy=edited(steel, "mine", elastic_modulus_mpa=modulus),
            )
        )
        for modulus in (180000.0, 190000.0)
    )  # fmt: skip
    with pytest.raises(MalformedText, match="'mine'"):
        Tray("t", entries)


def test_an_alloy_of_another_class_is_refused():
    with pytest.raises(MalformedText, match="nickel-titanium"):
        tapered_instrument(25, 0.02, alloy=Alloy.STAINLESS,
                           own_alloy=alloy_set(Alloy.NITI_SUPERELASTIC))  # fmt: skip


@pytest.mark.parametrize(
    ("alloys", "word"),
    [
        ("- {name: a, class: brass}", "no alloy class called 'brass'"),
        ("- {name: a, class: stainless, plateau_stress_mpa: 400}", "plateau_stress_mpa"),
        ("- {name: a, class: stainless, elastic_modulus_mpa: -1}", "is -1 MPa"),
        ("- {name: a, class: stainless, elastic_modulus_mpa: soft}", "'soft'"),
        ("- {name: a, class: stainless, hardness: 3}", "hardness is 3"),
        ("- {name: stainless, class: stainless}", "already taken"),
        ("- {name: a, class: stainless}\n- {name: a, class: stainless}", "already taken"),
        ("- {class: stainless}", "alloy 1: name"),
        (" 3", "not a list"),
    ],
)
def test_what_is_wrong_with_an_alloy_is_said_with_its_name(tmp_path, alloys, word):
    path = tmp_path / "t.yaml"
    path.write_text(f"{HEAD}alloys:\n{alloys}\n{ROW}", "utf-8")
    with pytest.raises(UnreadableFile, match=word):
        import_tray(path)


def test_an_alloy_that_the_file_does_not_define_is_a_fault_of_its_row(tmp_path):
    path = tmp_path / "t.yaml"
    path.write_text(HEAD + ROW, "utf-8")
    (fault,) = import_tray(path).faults
    assert (fault.column, fault.value) == ("alloy", "soft-wire")
    assert "under 'alloys'" in fault.remedy


def test_the_template_holds_copies_to_edit(tmp_path):
    path = tmp_path / "my-tray.yaml"
    path.write_text(tray_template_yaml(), "utf-8")
    tray = read_tray(path)
    assert {alloy.name for alloy in tray.own_alloys} == {
        "my-niti-heat-treated", "my-niti-superelastic",
    }  # fmt: skip
    assert alloy_of(tray.find("hand-10-02")) is alloy_set(Alloy.STAINLESS)


def test_the_schema_describes_alloys():
    schema = tray_json_schema()
    assert schema["properties"]["alloys"]["items"] == {"$ref": "#/$defs/AlloyRow"}
    assert "class" in schema["$defs"]["AlloyRow"]["properties"]
