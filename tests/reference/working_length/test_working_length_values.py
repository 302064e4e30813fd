from __future__ import annotations

import math

import numpy as np
import pytest

from canalwright.evidence import Evidence
from canalwright.planning.clinical.shortening import (
    arc_shortening_mm,
    expected_changes,
    shortest_way_mm,
)
from canalwright.planning.clinical.working_length import (
    POLICIES,
    Landmark,
    LengthReading,
    Method,
    combined,
    landmark_short_mm,
    proportional_length_mm,
    reading_sd_mm,
)

PRINTED_MM = 1e-4
COMPUTED_MM = 1e-6
BAND_MM = 0.2  # the messages are bands of ± 0.2 mm


def working_length(reading: LengthReading, policy: str) -> float:
    chosen = POLICIES[policy]
    short = landmark_short_mm(chosen.landmark).value + chosen.short_mm
    return combined([reading]).terminus_mm - short


@pytest.mark.source("weine1982", where="proportional rule, worked by hand", kind="memory")
def test_proportional_rule():
    length = proportional_length_mm(20.0, 20.9, 22.0)
    assert length == pytest.approx(21.0526, abs=PRINTED_MM)
    reading = LengthReading(Method.RADIOGRAPH, length, Landmark.APEX)
    assert working_length(reading, "apex-1.0") == pytest.approx(20.0526, abs=PRINTED_MM)


@pytest.mark.source("weine1982", where="subtractions 1.0, 1.5, 2.0 mm", kind="memory")
@pytest.mark.parametrize(("policy", "short"), [("apex-1.0", 1), ("apex-1.5", 1.5), ("apex-2.0", 2)])
def test_classical_subtractions(policy, short):
    reading = LengthReading(Method.RADIOGRAPH, 22.0, Landmark.APEX)
    assert working_length(reading, policy) == pytest.approx(22.0 - short, abs=1e-9)


@pytest.mark.source(
    "tsesis2015", where="definition of a target short of the reading", kind="computed"
)
def test_electronic_reading_and_target():
    reading = LengthReading(Method.ELECTRONIC, 21.5, Landmark.FORAMEN)
    assert working_length(reading, "half-short") == 21.0


@pytest.mark.source("kuttler1955", where="apex and constriction from the foramen", kind="published")
def test_landmarks_as_remembered():
    assert landmark_short_mm(Landmark.APEX).value == -0.495
    assert landmark_short_mm(Landmark.APEX, old=True).value == -0.607
    assert landmark_short_mm(Landmark.CONSTRICTION).value == 0.524
    assert landmark_short_mm(Landmark.CONSTRICTION, old=True).value == 0.659
    assert landmark_short_mm(Landmark.APEX).evidence is Evidence.SECOND_HAND
    assert landmark_short_mm(Landmark.CONSTRICTION).evidence is Evidence.MEMORY


@pytest.mark.source("docarmo1976", where="arc less chord, R(θ − 2 sin(θ/2))", kind="computed")
@pytest.mark.parametrize(
    ("radius", "angle", "shortening", "tolerance"),
    [(5.0, 60.0, 0.235988, COMPUTED_MM), (8.0, 40.0, 0.113, 0.0005)],
)
def test_straightened_arc(radius, angle, shortening, tolerance):
    assert arc_shortening_mm(radius, angle) == pytest.approx(shortening, abs=tolerance)


@pytest.mark.source("docarmo1976", where="arc less chord, R(θ − 2 sin(θ/2))", kind="computed")
def test_a_taut_string_with_room_enough_is_the_chord():
    angle = np.linspace(0.0, math.radians(60.0), 31)
    arc = 5.0 * np.column_stack([1.0 - np.cos(angle), 0.0 * angle, np.sin(angle)])
    room = np.full(len(arc), 2.0)
    room[-1] = 0.0  # both ends held, as the closed form has it
    # the polyline is shorter than its arc by h²/24R² of it: 2e-5 relative
    taut = 5.0 * math.radians(60.0) - shortest_way_mm(arc, room)
    assert taut == pytest.approx(0.235988, abs=1e-6)


@pytest.mark.source(
    "davis2002", where="summary: steel −0.48, −0.36; NiTi −0.22, −0.07", kind="published"
)
def test_expected_change_messages():
    steel = expected_changes("stainless", after_flaring=False)
    niti = expected_changes("nickel-titanium", after_flaring=True)
    assert any(row.change_mm.value == pytest.approx(-0.5, abs=BAND_MM) for row in steel)
    assert [row.change_mm.value for row in niti] == [pytest.approx(-0.1, abs=BAND_MM)]
    assert {row.change_mm.evidence for row in niti} == {Evidence.SECOND_HAND}


@pytest.mark.source("kumar2013", where="abstract: −0.77 ± 0.42, −0.33 ± 0.44 mm", kind="published")
def test_the_second_study_stands_beside_the_first():
    both = expected_changes("stainless", after_flaring=False)
    assert [(r.change_mm.source, r.change_mm.value) for r in both] == [
        ("davis2002", -0.48),
        ("kumar2013", -0.77),
    ]
    assert both[1].change_mm.sd == 0.42


@pytest.mark.source(
    "kim2013", where="95 % limits of agreement of roots, −1.23 to 1.18 mm", kind="published"
)
def test_spread_of_a_length_from_a_scan():
    sd = reading_sd_mm(LengthReading(Method.SCAN, 20.0))
    assert sd.value == pytest.approx((1.23 + 1.18) / 2.0 / 1.96, abs=0.005)
    assert sd.evidence is Evidence.COMPUTED
