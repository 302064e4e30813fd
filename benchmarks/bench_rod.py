"""Time of one solve of the rod in a canal with 200 nodes, warm.

Goals, medians: 0.5 ms planar, 2 ms in space, 5 ms in space with a superelastic alloy. Run as
``python -m pytest benchmarks/bench_rod.py --benchmark-only``. Times are the processor's, so that
other work on the machine counts little.
"""

import time

import numpy as np
import pytest

from canalwright.instruments.alloys import alloy_set
from canalwright.instruments.instrument import Alloy, SectionShape
from canalwright.mechanics.alloy_laws import linear_law
from canalwright.mechanics.bench_tests import bending_law
from canalwright.mechanics.canal_path import Arc, graded_levels_mm, path_of_arcs
from canalwright.mechanics.moment_law import moment_law
from canalwright.mechanics.rod import Rod
from canalwright.mechanics.rod_in_canal import rod_in_canal

GOALS = {"planar": 0.5e-3, "space": 2e-3, "space, superelastic": 5e-3}
ARCS = {"planar": [Arc(4.0, 0.2)], "space": [Arc(3.0, 0.25), Arc(3.0, 0.0, 1 / 6.0)]}


def solved(name):
    level = graded_levels_mm(0.0, 16.0, 200)
    place, _, superelastic = name.partition(", ")
    path = path_of_arcs(ARCS[place], level, (0.30 + 0.04 * level) / 2)
    wire = bending_law(alloy_set(Alloy.NITI_SUPERELASTIC)) if superelastic else linear_law(70000.0)
    station = np.arange(0.0, 30.0, 0.01)
    law = moment_law(SectionShape.CIRCLE, wire)
    return path, Rod((0.2 + 0.04 * np.minimum(station, 16.0)) / 2, 0.01, law)


@pytest.mark.benchmark(timer=time.process_time, warmup=True, min_rounds=200)
@pytest.mark.parametrize("name", GOALS)
def test_a_solve_is_fast_enough_for_a_slider(benchmark, name):
    path, rod = solved(name)
    assert benchmark(rod_in_canal, path, rod).convergence.converged
    if benchmark.stats is not None:
        assert benchmark.stats["median"] <= GOALS[name]
