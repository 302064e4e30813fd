"""The recommended plan chosen for how sure it is."""

from __future__ import annotations

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.planning import plan
from canalwright.planning.uncertainty import uncertainty_of
from support.small_tray import CANAL, TRAY


@pytest.mark.parametrize("confidence", [0.5, 0.9])
def test_the_first_plan_keeps_the_confidence_or_is_the_least_bad(confidence):
    result = plan(CANAL, TRAY, confidence=confidence, samples=512, seed=3)
    sure = result.confidence
    assert sure.asked == confidence
    worst = [max(chance for _, chance in one) for one in sure.exceeded]
    passing = [one <= 1.0 - confidence + 1e-9 for one in worst]
    assert passing == sorted(passing, reverse=True)
    assert sure.kept == passing[0]
    if not sure.kept:
        assert worst[0] == min(worst)
        assert "CONFIDENCE_NOT_KEPT" in {c.code for c in result.cautions}
    assert sure.text in result.statement


def test_probabilities_are_those_of_sampling_the_plan_alone():
    result = plan(CANAL, TRAY, confidence=0.9, samples=512, seed=3)
    first = result.plans[0]
    alone = uncertainty_of(
        CANAL,
        [s.step.made for s in first.steps],
        result.target,
        result.limits,
        samples=512,
        seed=3,
        planned=first.steps,
    )
    assert dict(result.confidence.exceeded[0]) == dict(alone.exceeded)
    names = {one.constraint for one in alone.limits}
    assert {"torque_peak_fraction", "transportation_mm"} <= names
    for name, chance in alone.exceeded:
        single = max(one.probability for one in alone.limits if one.constraint == name)
        together = sum(one.probability for one in alone.limits if one.constraint == name)
        assert single - 1e-12 <= chance <= together + 1e-12


def test_more_wear_moves_the_canal_in_proportion():
    first = plan(CANAL, TRAY).plans[0]
    found = uncertainty_of(
        CANAL, [s.step.made for s in first.steps], samples=4096, planned=first.steps
    )
    last = next(one for one in found.limits if one.constraint == "transportation_mm")
    nominal = first.steps[last.step - 1].full.transportation_mm
    # Log-normal about the nominal value: the median is that of the plan.
    assert last.median == pytest.approx(nominal, rel=0.02)
    assert np.log(last.high / last.median) == pytest.approx(0.7 * 1.645, rel=0.03)


@pytest.mark.parametrize("confidence", [0.4, 1.0, float("nan")])
def test_a_confidence_that_means_nothing_is_refused(confidence):
    with pytest.raises(OutOfRange):
        plan(CANAL, TRAY, confidence=confidence)
