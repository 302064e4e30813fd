from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.standard import instrument_from_id
from canalwright.instruments.tray import standard_tray
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.planning import plan
from canalwright.planning.simulation import simulate
from canalwright.planning.types import Target
from canalwright.planning.uncertainty import (
    Spreads,
    ranked_by_certainty,
    uncertainties_of,
    uncertainty_of,
)
from canalwright.shaping.shape import Pass
from support.canals import tapered_canal

ZERO = Graded(0.0, "", Evidence.OPERATOR)
EXACT = Spreads(ZERO, ZERO, ZERO, ZERO, ZERO, ZERO, ZERO, ZERO)


def _canal(sd_mm=0.0, dentin_sd_mm=0.0, **made):
    canal = tapered_canal(**({"apical_mm": 0.17, "taper_mm_per_mm": 0.03, "oval": 1.6} | made))
    ones = np.ones(len(canal.level_mm))
    return replace(canal, narrow_sd_mm=sd_mm * ones, dentin_sd_mm=dentin_sd_mm * ones)


def _exactly(name, tip=0.0):
    return Pass(replace(instrument_from_id(name), tolerance_mm=0.0), tip)


SEQUENCE = [_exactly("engine-40-06", 6.5), _exactly("engine-20-04"), _exactly("engine-25-04")]


def _at(result, step, constraint):
    return next(r for r in result.limits if (r.step, r.constraint) == (step, constraint))


def test_without_any_uncertainty_every_sample_is_the_nominal_sequence():
    parameters = DEFAULT_LOAD_PARAMETERS.with_fatigue_test(0.04, 500)
    options = {"parameters": parameters}
    result = uncertainty_of(_canal(), SEQUENCE, samples=4, spreads=EXACT, **options)
    nominal = simulate(_canal(), SEQUENCE, **options)
    for number, one in enumerate(nominal.plan.steps, start=1):
        for margin in one.margins:
            if margin.constraint in {"step_percent", "step_mm", "engaged_mm", "dentin_left_mm"}:
                sampled = _at(result, number, margin.constraint)
                assert sampled.low == sampled.high == pytest.approx(margin.value, abs=1e-9)
        torque = _at(result, number, "torque_fraction").median
        # Areas are interpolated on a grid of diameters, so volumes differ by some percent.
        assert torque == pytest.approx(one.loads.torque_fraction, rel=0.1)
        fatigue = _at(result, number, "fatigue_fraction").median
        assert fatigue == pytest.approx(one.loads.fatigue_fraction, rel=1e-9)
    assert result.removed_mm3[1] == pytest.approx(nominal.plan.totals.removed_mm3, rel=0.02)
    assert result.any_probability == float(bool(nominal.broken))


def test_probability_of_a_missing_glide_path_is_that_of_the_normal_distribution():
    result = uncertainty_of(_canal(sd_mm=0.02), [_exactly("engine-20-04")], samples=4096)
    found = _at(result, 1, "glide_path_mm").probability
    assert found == pytest.approx(0.5 * math.erfc(0.02 / 0.02 / math.sqrt(2.0)), abs=0.002)


def test_glide_path_made_by_a_file_is_not_doubted_again():
    passes = [_exactly("hand-20-02"), _exactly("engine-25-04")]
    result = uncertainty_of(_canal(sd_mm=0.02, taper_mm_per_mm=0.02), passes, samples=256)
    assert _at(result, 2, "glide_path_mm").probability == 0.0


def test_dentin_left_spreads_with_the_outer_surface():
    result = uncertainty_of(_canal(dentin_sd_mm=0.1), SEQUENCE[2:], samples=4096)
    left = _at(result, 1, "dentin_left_mm")
    # 5th to 95th percentile of a normal distribution: 2 × 1.645 standard deviations
    assert left.high - left.low == pytest.approx(2 * 1.645 * 0.1, rel=0.02)


def test_tolerance_makes_a_step_uncertain_by_what_two_files_can_differ():
    passes = [Pass(instrument_from_id("hand-20-02")), Pass(instrument_from_id("hand-25-02"))]
    canal = _canal(apical_mm=0.1, taper_mm_per_mm=0.01)
    result = uncertainty_of(canal, passes, samples=4096, spreads=EXACT)
    step = _at(result, 2, "hand_step_percent")
    smallest, largest = 100 * (0.23 / 0.22 - 1), 100 * (0.27 / 0.18 - 1)
    assert smallest < step.low < 25.0 < step.high < largest
    # The step of the first file into the canal is by far the largest, and so decides.
    assert result.factors[0].factor == "tolerance of hand-20-02"
    assert result.factors[0].share == pytest.approx(1.0)


def test_a_thousand_samples_come_close_to_a_hundred_thousand():
    canal = _canal(sd_mm=0.03, dentin_sd_mm=0.05, spacing_mm=1.0)
    passes = [Pass(p.instrument, p.tip_level_mm) for p in SEQUENCE]
    few = uncertainty_of(canal, passes, samples=1000)
    many = uncertainty_of(canal, passes, samples=100_000, seed=1)
    assert few.any_probability == pytest.approx(many.any_probability, abs=0.02)
    for row in few.limits:
        same = _at(many, row.step, row.constraint)
        assert row.probability == pytest.approx(same.probability, abs=0.02)


def test_a_thousand_samples_come_close_under_full_loads_too():
    canal = _canal(sd_mm=0.02, dentin_sd_mm=0.05, spacing_mm=1.0, curve_radius_mm=30.0)
    best = plan(canal, standard_tray(), Target(25, 0.04)).plans[0]
    few, many = (_sampled_full(canal, best, samples=count) for count in (1000, 100_000))
    full = {"torque_peak_fraction", "transportation_mm", "screw_in_n", "strain"}
    assert full <= {row.constraint for row in few.limits}
    assert any(0.02 < row.probability < 0.98 for row in many.limits if row.constraint in full)
    assert few.any_probability == pytest.approx(many.any_probability, abs=0.02)
    for row in few.limits:
        same = _at(many, row.step, row.constraint)
        assert row.probability == pytest.approx(same.probability, abs=0.02)


def test_a_fitted_cutting_energy_narrows_full_loads():
    canal = _canal(spacing_mm=1.0)
    energy = DEFAULT_LOAD_PARAMETERS.specific_cutting_energy_j_per_mm3
    fitted = replace(
        DEFAULT_LOAD_PARAMETERS,
        specific_cutting_energy_j_per_mm3=replace(energy, sd=0.02 * energy.value),
    )
    best = plan(canal, standard_tray(), Target(25, 0.04)).plans[0]
    assumed, known = (
        _sampled_full(canal, best, samples=1024, parameters=parameters)
        for parameters in (DEFAULT_LOAD_PARAMETERS, fitted)
    )
    ratios = []
    for result in (assumed, known):
        last = _at(result, len(best.steps), "screw_in_n")
        ratios.append(math.log(last.high / last.low) / (2.0 * 1.6449))
    # The pull goes with the energy alone: lognormal, from the 5th to the 95th percentile.
    assert ratios == pytest.approx([0.5, math.hypot(0.02, 0.25)], rel=0.03)


def _sampled_full(canal, best, **options):
    passes = [one.step.made for one in best.steps]
    return uncertainty_of(canal, passes, Target(25, 0.04), planned=best.steps, **options)


def test_same_seed_same_result_other_seed_another():
    canal = _canal(sd_mm=0.03)
    first, again, other = (uncertainty_of(canal, SEQUENCE, samples=64, seed=s) for s in (3, 3, 4))
    assert first.limits == again.limits
    assert first.risk != other.risk


def test_plans_are_ranked_by_the_probability_of_breaking_a_limit():
    canal = _canal(sd_mm=0.02)
    plans = plan(canal, standard_tray(), Target(25, 0.04)).plans
    ranked = ranked_by_certainty(canal, plans, Target(25, 0.04), samples=128)
    chances = [round(u.any_probability, 3) for _, u in ranked]
    assert len(ranked) == len(plans)
    assert chances == sorted(chances)


@pytest.mark.parametrize("samples", [0, 1, 1 << 21])
def test_impossible_sample_counts_are_refused(samples):
    with pytest.raises(OutOfRange, match="Samples"):
        uncertainty_of(_canal(), SEQUENCE, samples=samples)


def test_a_way_that_instruments_have_made_everywhere_is_not_judged_by_the_image():
    passes = [_exactly("hand-40-02"), _exactly("engine-40-06")]
    canal = _canal(apical_mm=0.17, taper_mm_per_mm=0.005, length_mm=10.0)
    result = uncertainty_of(canal, passes, samples=8, spreads=EXACT)
    assert "glide_path_mm" not in {r.constraint for r in result.limits}


def test_a_share_of_a_limit_may_stay_below_one():
    result = uncertainty_of(_canal(apical_mm=0.21), SEQUENCE, samples=8, spreads=EXACT)
    assert simulate(_canal(apical_mm=0.21), SEQUENCE).broken == ()
    assert max(result.risk) < 1.0


def test_several_plans_keep_their_order():
    canal = _canal(0.02)
    plans = plan(canal, standard_tray(), Target(25, 0.04)).plans
    told = []
    found = uncertainties_of(canal, plans, Target(25, 0.04), samples=64, progress=told.append)
    assert told[-1] == 1.0
    assert len(found) == len(plans)
    passes = [s.step.made for s in plans[-1].steps]
    steps = plans[-1].steps
    alone = uncertainty_of(canal, passes, Target(25, 0.04), samples=64, planned=steps)
    assert found[-1].any_probability == alone.any_probability


def _of_steps(best):
    return {
        (number, margin.constraint)
        for number, one in enumerate(best.steps, start=1)
        for margin in (*one.margins, *one.full.margins)
    }


@pytest.mark.parametrize("fatigue_test", [None, (0.04, 500)])
def test_every_limit_a_step_is_judged_by_is_sampled(fatigue_test):
    parameters = DEFAULT_LOAD_PARAMETERS
    if fatigue_test:
        parameters = parameters.with_fatigue_test(*fatigue_test)
    canal = _canal(sd_mm=0.02, dentin_sd_mm=0.05, curve_radius_mm=20.0)
    best = plan(canal, standard_tray(), Target(25, 0.04), parameters=parameters).plans[0]
    result = _sampled_full(canal, best, samples=256, parameters=parameters)
    wanted = {pair for pair in _of_steps(best) if pair[1] != "no_cut"}
    missing = wanted - {(row.step, row.constraint) for row in result.limits}
    # A way that instruments have made everywhere is not judged by the image (see above).
    assert {name for _, name in missing} <= {"glide_path_mm"}
    assert {name for _, name in wanted} - {"glide_path_mm"} <= dict(result.exceeded).keys()
    assert ("fatigue_fraction" in dict(result.exceeded)) == (fatigue_test is not None)


def test_without_any_uncertainty_full_loads_are_those_of_the_plan():
    parameters = DEFAULT_LOAD_PARAMETERS.with_fatigue_test(0.04, 500)
    canal = _canal(spacing_mm=0.5, curve_radius_mm=15.0)
    best = plan(canal, standard_tray(), Target(25, 0.04), parameters=parameters).plans[0]
    exactly = [
        replace(
            one,
            step=replace(one.step, made=_exactly(one.instrument.id, one.step.made.tip_level_mm)),
        )
        for one in best.steps
    ]
    passes = [one.step.made for one in exactly]
    result = uncertainty_of(
        canal, passes, Target(25, 0.04), planned=exactly, samples=4, spreads=EXACT,
        parameters=parameters,
    )  # fmt: skip
    for number, one in enumerate(best.steps, start=1):
        for margin in one.full.margins:
            row = _at(result, number, margin.constraint)
            nominal = [m.value for m in one.margins if m.constraint == margin.constraint]
            # Fatigue must hold centered and in the computed place: the larger is sampled.
            worse = max([margin.value, *nominal]) if margin.constraint == "fatigue_fraction" else 0
            assert row.median == pytest.approx(worse or margin.value, rel=1e-6, abs=1e-9)
        for margin in one.margins:
            if margin.constraint == "step_area_percent":
                row = _at(result, number, margin.constraint)
                # Areas are interpolated on a grid of diameters.
                assert row.median == pytest.approx(margin.value, rel=0.1, abs=1.0)


def test_growth_of_a_round_section_is_that_of_its_diameters_squared():
    canal = _canal(apical_mm=0.2, taper_mm_per_mm=0.02, oval=1.0, sd_mm=0.01)
    result = uncertainty_of(canal, [_exactly("hand-25-02")], samples=4096, spreads=EXACT)
    # 5th and 95th percentile of the normal distribution of the canal's diameter at the terminus
    wide, narrow = 0.2 + 1.6449 * 0.01, 0.2 - 1.6449 * 0.01
    row = _at(result, 1, "step_area_percent")
    assert row.low == pytest.approx(100 * ((0.25 / wide) ** 2 - 1), rel=0.03)
    assert row.high == pytest.approx(100 * ((0.25 / narrow) ** 2 - 1), rel=0.03)


def test_an_instrument_beyond_the_target_is_as_likely_over_it_as_its_tolerance_says():
    canal = _canal(apical_mm=0.2, taper_mm_per_mm=0.02)
    passes = [Pass(instrument_from_id("engine-30-02"))]
    target = Target(29, 0.02)  # 0.01 mm over, tolerance 0.02 either way, 0.02 allowed
    result = uncertainty_of(canal, passes, target, samples=4096, spreads=EXACT)
    assert _at(result, 1, "over_target_mm").probability == pytest.approx(0.25, abs=0.005)


def test_steel_counts_as_round_a_curve_as_often_as_the_canal_is_curved():
    canal = _canal(apical_mm=0.2, taper_mm_per_mm=0.02, curve_radius_mm=25.0, curved_to_mm=13.0)
    result = uncertainty_of(canal, [_exactly("hand-25-02", 3.0)], samples=4096)
    chance = _at(result, 1, "hand_size_in_curve").probability
    assert 0.02 < chance < 0.98
    surely = uncertainty_of(canal, [_exactly("hand-20-02", 3.0)], samples=64)
    assert _at(surely, 1, "hand_size_in_curve").probability == 0.0


def test_each_limit_names_what_decides_it():
    canal = _canal(spacing_mm=0.5, curve_radius_mm=15.0)
    best = plan(canal, standard_tray(), Target(25, 0.04)).plans[0]
    result = _sampled_full(canal, best, samples=512)
    decided = {row.constraint: row.decided_by for row in result.limits if row.decided_share > 0.3}
    assert decided["strain"] == "curvature"
    assert decided["transportation_mm"] == "rate of wear"
    assert decided["screw_in_n"] == "cutting energy"
    assert "curvature" in {one.factor for one in result.factors}
