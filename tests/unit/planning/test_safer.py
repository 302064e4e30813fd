from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.instruments.tray import standard_tray
from canalwright.planning import plan
from canalwright.planning.preference import band_of
from canalwright.planning.safer import SAFER_BY, SAFER_SAMPLES, worst_chance
from canalwright.planning.types import Target
from canalwright.planning.uncertainty import uncertainties_of
from support.canals import tapered_canal


def _uncertain(**made):
    canal = tapered_canal(**made)
    return replace(canal, narrow_sd_mm=np.full(len(canal.level_mm), 0.02))


@pytest.fixture(scope="module", params=[0.14, 0.16])
def planned(request):
    canal = _uncertain(apical_mm=request.param, taper_mm_per_mm=0.055, length_mm=9.0)
    result = plan(canal, standard_tray(), Target(25, 0.04))
    sampled = uncertainties_of(
        canal, result.plans, result.target, result.limits, samples=SAFER_SAMPLES
    )
    return request.param, result, [worst_chance(one)[1] for one in sampled]


def _usual_first(result):
    def costs(one):
        # A scouting file is put in after the search and costs nothing in its order.
        passes = [step for step in one.steps if step.purpose != "scouting"]
        return (band_of(one.totals.risk), len(passes), round(one.totals.risk, 6))

    return min(result.plans, key=costs)


def test_the_recommended_plan_is_the_usual_first_or_much_surer(planned):
    apical_mm, result, chances = planned
    usual = _usual_first(result)
    usual_chance = chances[result.plans.index(usual)]
    best = result.plans[0]
    assert (best is not usual) == (apical_mm == 0.14)
    if best is usual:
        for one, chance in zip(result.plans, chances, strict=True):
            few = one.totals.instruments <= usual.totals.instruments + 1
            if few and band_of(one.totals.risk) <= band_of(usual.totals.risk):
                assert chance > usual_chance - SAFER_BY - 1e-9
    else:
        assert chances[0] <= usual_chance - SAFER_BY
        assert best.totals.instruments <= usual.totals.instruments + 1
        assert "surer by 10 percentage points" in result.statement
