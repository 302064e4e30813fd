"""What a visit says about contradictory, impossible and missing entries."""

from __future__ import annotations

from dataclasses import replace

import pytest

from canalwright.errors import MalformedText, OutOfRange, UnknownName, UsageError
from canalwright.instruments.standard import find_instrument
from canalwright.planning.clinical.assessment import Difficulty, rated_value
from canalwright.planning.clinical.case_rating import case_assessment
from canalwright.planning.clinical.checklist import checklist
from canalwright.planning.clinical.cones import Cone
from canalwright.planning.clinical.diagnosis import Diagnosis
from canalwright.planning.clinical.irrigation import IrrigationPlan, Rinse, default_rinses
from canalwright.planning.clinical.motor_lines import MakerRating, Motion
from canalwright.planning.clinical.needles import Vent, jet_speed_m_per_s
from canalwright.planning.clinical.stops import Reach
from canalwright.planning.clinical.teeth import parse_tooth
from canalwright.planning.clinical.visit import worked_out
from canalwright.planning.clinical.visit_plan import CanalVisit, VisitPlan
from canalwright.planning.clinical.working_length import (
    POLICIES,
    Landmark,
    LengthReading,
    Method,
    combined,
    proportional_length_mm,
)
from canalwright.shaping.shape import Step
from support.canals import tapered_canal
from support.visits import canal_visit, steps, two_canals


def one(**entered):
    canal = entered.pop("canal", tapered_canal(name="MB", spacing_mm=0.25))
    return worked_out(VisitPlan((canal_visit(canal, **entered),)))


def texts(visit, code):
    return [caution.text for caution in visit.cautions if caution.code == code]


def test_a_reading_longer_than_the_tooth_is_left_out_with_one_statement():
    visit = one(tooth_length_mm=21.0, readings=(LengthReading(Method.ELECTRONIC, 24.0),))
    (said,) = texts(visit, "READING_LONGER_THAN_TOOTH")
    assert "24.0 mm is longer than the tooth (21.0 mm)" in said
    assert visit.canals[0].length.terminus_mm == pytest.approx(20.0)


def test_no_reading_that_fits_the_tooth_is_refused():
    with pytest.raises(OutOfRange, match=r"24 mm; allowed: 0 to 21 mm"):
        one(crown_mm=None, tooth_length_mm=21.0,
            readings=(LengthReading(Method.ELECTRONIC, 24.0),))  # fmt: skip


def test_a_confirmed_length_longer_than_the_tooth_is_refused():
    with pytest.raises(OutOfRange, match="longer than the tooth"):
        one(tooth_length_mm=20.0, confirmed_mm=24.0)


def test_two_lengths_that_contradict_are_not_averaged():
    visit = one(readings=(LengthReading(Method.ELECTRONIC, 24.0),))
    (said,) = texts(visit, "LENGTHS_CONTRADICT")
    assert "not averaged" in said
    assert "scan 20.0 mm, electronic 24.0 mm" in said
    assert visit.canals[0].length.terminus_mm == pytest.approx(20.0)
    assert visit.canals[0].length.combination.provisional


def test_a_confirmed_length_far_from_the_estimates_is_used_and_questioned():
    visit = one(confirmed_mm=22.0)
    assert visit.canals[0].length.working_length_mm == 22.0
    (said,) = texts(visit, "CONFIRMED_AGAINST_ESTIMATES")
    assert "longer than the estimates" in said


def test_short_instruments_are_named_once_with_their_length():
    short = replace(find_instrument("engine-25-04"), id="mine-21", overall_length_mm=18.0)
    wishes = (*steps(("hand-15-02", 0.0)), replace(steps()[0], instrument=short))
    visit = one(steps=wishes)
    (said,) = texts(visit, "INSTRUMENT_TOO_SHORT")
    assert "mine-21 (18 mm long, stop at 19.6 mm)" in said
    assert sum("mine-21" in c.text and "18" in c.text for c in visit.cautions) == 1
    assert [step.stop.reach for step in visit.canals[0].steps] == [Reach.REACHES, Reach.TOO_SHORT]


def test_a_needle_wider_than_the_canal_everywhere_is_one_statement():
    narrow = tapered_canal(name="MB", apical_mm=0.12, taper_mm_per_mm=0.005, spacing_mm=0.25)
    plan = VisitPlan(
        (canal_visit(narrow, steps=steps(("hand-10-02", 0.0)), target_size=10),),
        irrigation=IrrigationPlan(gauge=27),
    )
    visit = worked_out(plan)
    (said,) = texts(visit, "NEEDLE_TOO_WIDE")
    assert "wider than the canal everywhere" in said
    assert visit.canals[0].steps[0].needle.depth_mm is None


def test_a_length_shorter_than_the_canal_is_questioned():
    visit = one(confirmed_mm=11.0)
    assert len(texts(visit, "LENGTH_SHORTER_THAN_CANAL")) == 1


def test_without_any_length_the_operator_is_asked_for_one():
    with pytest.raises(UsageError, match="no length is known"):
        one(crown_mm=None, readings=())


def test_a_preparation_past_the_foramen_is_said():
    visit = one(policy=POLICIES["radiographic"])
    (said,) = texts(visit, "PAST_FORAMEN")
    assert "0.5 mm past the foramen" in said
    assert visit.canals[0].length.end_level_mm == pytest.approx(-0.495)


def test_patency_is_skipped_in_words():
    assert "debris may block" in one(patency=None).canals[0].patency.text
    told = one(patency=None, patency_skipped="vital pulp").canals[0].patency.text
    assert told == "No patency file: vital pulp."
    wide = tapered_canal(name="MB", apical_mm=1.2, taper_mm_per_mm=0.01, spacing_mm=0.25)
    visit = one(canal=wide, patency=None, steps=steps(("hand-140-02", 0.0)), target_size=140)
    assert "the apex is open" in visit.canals[0].patency.text
    assert len(texts(visit, "OPEN_APEX")) == 1


def test_the_glide_path_is_by_image_by_a_file_or_not_there():
    wide = one().canals[0].glide_path
    assert wide.reached
    assert wide.file == ""
    assert "no file of its own" in wide.describe()
    narrow = tapered_canal(name="MB", apical_mm=0.10, taper_mm_per_mm=0.01, spacing_mm=0.25)
    made = one(canal=narrow).canals[0].glide_path
    assert made.file == "hand-15-02"
    assert made.width_mm == pytest.approx(0.15)
    short = one(canal=narrow, steps=steps(("hand-10-02", 0.0)), target_size=10).canals[0]
    assert not short.glide_path.reached
    assert "stays under" in short.glide_path.describe()


def test_every_needle_is_set_against_every_state():
    irrigation = one().canals[0].irrigation
    assert len(irrigation.states) == 5
    assert irrigation.thickest(0, 1.0) is None
    assert irrigation.thickest(4, 1.0).needle.gauge == 31
    assert irrigation.thickest(4, 2.0).needle.gauge == 30


def test_the_length_is_checked_again_after_scouting_and_flaring_or_the_first_file_at_length():
    assert [step.recheck for step in one().canals[0].steps] == [True, True, False, False]
    wishes = steps(("engine-50-06", 7.0), ("engine-25-04", 0.0), ("engine-30-04", 0.0))
    assert [step.recheck for step in one(steps=wishes).canals[0].steps] == [True, True, False]


def test_heat_is_disputed_where_it_is_used():
    cold, warm = (
        {c.code for c in worked_out(replace(two_canals(), technique=t)).conflicts}
        for t in ("cold lateral", "warm vertical")
    )
    assert warm - cold == {"ROOT_SURFACE_HEAT"}


def test_ratings_and_model_stand_side_by_side():
    rating = MakerRating(speed_rpm=350.0, torque_ncm=0.01, motion=Motion.RECIPROCATING)
    wishes = (steps()[0], replace(steps()[3], rating=rating))
    line = one(steps=wishes).canals[0].steps[1].motor
    assert line.speed_rpm.value == 350.0
    assert line.torque_limit_ncm.value == 0.01
    assert line.motion is Motion.RECIPROCATING
    assert line.motion_stated
    assert line.verdict == "limit below demand"
    high = replace(rating, torque_ncm=4.0)
    wishes = (steps()[0], replace(steps()[3], rating=high))
    line = one(steps=wishes).canals[0].steps[1].motor
    assert line.torque_limit_ncm.value == 4.0
    assert line.verdict == "limit above strength"


def test_flow_above_published_limits_names_them():
    plan = replace(two_canals(), irrigation=IrrigationPlan(flow_ml_per_min=3.5))
    (said,) = texts(worked_out(plan), "FLOW_ABOVE_YARDSTICK")
    assert "1, 3 mL/min" in said


def test_hypochlorite_rules_go_with_hypochlorite():
    assert len(texts(one(), "HYPOCHLORITE")) == 1
    saline = tuple(replace(rinse, irrigant="saline") for rinse in default_rinses())
    plan = replace(two_canals(), irrigation=IrrigationPlan(rinses=saline))
    assert texts(worked_out(plan), "HYPOCHLORITE") == []


def test_an_open_needle_reaches_further_beyond_its_tip():
    plan = two_canals()
    open_ended = replace(plan, irrigation=IrrigationPlan(vent=Vent.OPEN))
    side, other = (worked_out(p).canals[0].irrigation.chosen[-1] for p in (plan, open_ended))
    assert side.tip_level_mm == other.tip_level_mm
    assert not side.replaces_to_end
    assert other.replaces_to_end


def test_the_operators_point_is_kept_and_a_loose_one_is_said():
    visit = one(cone=Cone(20, 0.02))
    assert visit.canals[0].obturation.chosen_by_operator
    assert visit.canals[0].obturation.chosen.cone == Cone(20, 0.02)
    assert len(texts(visit, "CONE_LOOSE")) == 1


def test_a_gauged_point_has_the_spread_of_gauging():
    fit = one(cone=Cone(30, 0.04, gauged_mm=0.34)).canals[0].obturation.chosen
    assert fit.short_mm == pytest.approx(1.0, abs=1e-6)
    assert fit.cone.tolerance_mm.value == 0.02


def test_conflicts_concern_the_tooth():
    codes = {c.code for c in worked_out(two_canals()).conflicts}
    assert {"PRESSURE_YARDSTICKS", "NEEDLE_DEPTH", "THIN_ZONE_AND_LENGTH"} <= codes
    assert "SECOND_CANAL_SHARE" not in codes
    upper = worked_out(replace(two_canals(), tooth=parse_tooth("16")))
    assert "SECOND_CANAL_SHARE" in {c.code for c in upper.conflicts}


def test_difficulty_is_a_lower_bound_until_all_is_rated():
    canal = tapered_canal(spacing_mm=0.25)
    found = case_assessment([canal], tooth=parse_tooth("36"))
    assert found.difficulty is Difficulty.MODERATE
    assert not found.complete
    assert found.describe() == "at least moderate"
    assert "Suggestion" in found.suggestion
    worse = case_assessment([canal], rated=[rated_value("curvature", 45.0)])
    assert worse.difficulty is Difficulty.HIGH
    assert worse.describe() == "high"


def test_a_canal_that_bends_twice_is_high():
    canal = tapered_canal(spacing_mm=0.25, length_mm=14.0)
    points = canal.centerline_mm.copy()
    import numpy as np

    points[:, 0] = 1.6 * np.sin(2.0 * np.pi * canal.level_mm / 14.0)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    bent = replace(canal, centerline_mm=points, level_mm=along)
    rated = {one.factor.key: one for one in case_assessment([bent]).rated}
    assert rated["curvature"].difficulty is Difficulty.HIGH
    assert "bends twice" in rated["curvature"].basis


@pytest.mark.parametrize("text", ["19", "49", "00", "#33", "#U", "3", "ab", "", "59"])
def test_teeth_that_do_not_exist(text):
    with pytest.raises(MalformedText):
        parse_tooth(text)


def test_teeth_in_words():
    assert parse_tooth("36").name == "lower left first molar"
    assert parse_tooth("#14").fdi == "26"
    assert parse_tooth("54").name == "upper right deciduous first molar"
    assert not parse_tooth("35").molar
    assert parse_tooth("16").upper


@pytest.mark.parametrize(
    ("make", "error"),
    [
        (lambda: LengthReading(Method.TACTILE, 0.0), OutOfRange),
        (lambda: LengthReading(Method.TACTILE, 20.0, sd_mm=0.0), OutOfRange),
        (lambda: proportional_length_mm(0.0, 20.0, 20.0), OutOfRange),
        (lambda: proportional_length_mm(20.0, 45.0, 20.0), OutOfRange),
        (lambda: combined([]), UsageError),
        (lambda: Cone(5, 0.02), OutOfRange),
        (lambda: Cone(30, 0.4), OutOfRange),
        (lambda: Cone(30, 0.04, gauged_mm=3.0), OutOfRange),
        (lambda: Diagnosis(pulpal="toothache"), UnknownName),
        (lambda: checklist({"coffee": "black"}), UnknownName),
        (lambda: IrrigationPlan(short_mm=-1.0), OutOfRange),
        (lambda: IrrigationPlan(flow_ml_per_min=0.0), OutOfRange),
        (lambda: replace(default_rinses()[0], volume_ml=1000.0), OutOfRange),
        (lambda: jet_speed_m_per_s(0.0, 0.1), OutOfRange),
        (lambda: jet_speed_m_per_s(0.2, -0.1), OutOfRange),
        (lambda: rated_value("visibility", 3.0), UsageError),
        (lambda: rated_value("curvature", -3.0), OutOfRange),
        (lambda: rated_value("luck", 3.0), UnknownName),
        (lambda: VisitPlan(()), UsageError),
        (lambda: two_canals().with_working_length("palatal", 20.0), UnknownName),
        (lambda: canal_visit(tapered_canal(), crown_mm=-1.0), OutOfRange),
        (lambda: CanalVisit(tapered_canal(), ()), UsageError),
        (
            lambda: worked_out(replace(two_canals(), irrigation=IrrigationPlan(gauge=23))),
            UnknownName,
        ),
    ],
)
def test_impossible_entries_are_refused(make, error):
    with pytest.raises(error):
        make()


def test_a_rinse_is_kept_as_entered():
    rinse = Rinse("last", "EDTA", "17 %", 3.0, 60.0, default_rinses()[0].evidence)
    assert IrrigationPlan(rinses=(rinse,)).rinses == (rinse,)


def test_a_reading_to_the_constriction_has_the_spread_of_the_landmark():
    reading = LengthReading(Method.ELECTRONIC, 20.0, Landmark.CONSTRICTION, sd_mm=0.4)
    found = combined([reading])
    assert found.terminus_mm == pytest.approx(20.524)
    assert found.sd_mm == pytest.approx(0.5)


def test_motor_lines_and_walls_rest_on_the_loads_that_plans_are_held_to():
    sheet = one().canals[0]
    cutting = [s for s in sheet.steps if s.motor.demand_ncm is not None]
    assert cutting
    for step in cutting:
        full = step.planned.full
        assert step.motor.demand_ncm == full.loads.peak_torque_ncm
        assert step.motor.demand_share == full.loads.torque_fraction
        assert step.motor.demand_share > 0.0
        # Centered steps remain what needles and points are fitted to.
        assert type(step.planned.step) is Step
    codes = [caution.code for caution in sheet.cautions]
    assert "FULL_LOADS" in codes
    assert "CONCENTRIC_MODEL" not in codes
