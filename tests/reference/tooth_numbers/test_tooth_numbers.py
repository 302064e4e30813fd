from __future__ import annotations

import pytest

from canalwright.planning.clinical.diagnosis import apical_terms, pulpal_terms
from canalwright.planning.clinical.teeth import tooth_from_fdi, tooth_from_universal


@pytest.mark.source("iso3950", where="two-digit numbers against Universal", kind="computed")
@pytest.mark.parametrize(
    ("fdi", "universal"),
    [
        ("11", "8"),
        ("18", "1"),
        ("21", "9"),
        ("28", "16"),
        ("31", "24"),
        ("38", "17"),
        ("41", "25"),
        ("48", "32"),
        ("36", "19"),
        ("46", "30"),
    ],
)
def test_universal_of_permanent_teeth(fdi, universal):
    assert tooth_from_fdi(fdi).universal == universal
    assert tooth_from_universal(universal).fdi == fdi


@pytest.mark.source("iso3950", where="all permanent teeth", kind="computed")
def test_permanent_teeth_map_onto_1_to_32():
    teeth = [tooth_from_fdi(f"{q}{p}") for q in range(1, 5) for p in range(1, 9)]
    assert sorted(int(tooth.universal) for tooth in teeth) == list(range(1, 33))


@pytest.mark.source("iso3950", where="deciduous teeth, letters", kind="memory")
def test_letters_of_deciduous_teeth():
    assert [tooth_from_fdi(n).universal for n in ("55", "65", "75", "85")] == ["A", "J", "K", "T"]
    assert [tooth_from_fdi(n).universal for n in ("51", "61", "71", "81")] == ["E", "F", "O", "P"]
    every = [tooth_from_fdi(f"{q}{p}").universal for q in range(5, 9) for p in range(1, 6)]
    assert sorted(every) == list("ABCDEFGHIJKLMNOPQRST")


@pytest.mark.source("aae2009", where="list of terms", kind="published")
def test_diagnosis_terms():
    assert set(pulpal_terms()) == {
        "normal pulp",
        "reversible pulpitis",
        "symptomatic irreversible pulpitis",
        "asymptomatic irreversible pulpitis",
        "pulp necrosis",
        "previously treated",
        "previously initiated therapy",
    }
    assert set(apical_terms()) == {
        "normal apical tissues",
        "symptomatic apical periodontitis",
        "asymptomatic apical periodontitis",
        "acute apical abscess",
        "chronic apical abscess",
        "condensing osteitis",
    }
