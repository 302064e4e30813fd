"""Time of passes off center, warm; and of the union of one pass.

Goals: union of one pass with 200 sections 0.05 ms; six instruments with 12 insertion depths each,
rod solved at every one, 50 ms in a planar canal and 150 ms in space. Run as
``python -m pytest benchmarks/bench_shaping.py --benchmark-only``. Times are the processor's, so
that other work on the machine counts little.
"""

import time

import numpy as np
import pytest
from numba import njit

from canalwright.anatomy.canal import Canal
from canalwright.geometry.frames import bishop_frame
from canalwright.geometry.sections import directions_rad
from canalwright.instruments.standard import instrument_from_id
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass
from canalwright.shaping.union import unite

GOALS = {"planar": 50e-3, "space": 150e-3}
PASSES = [
    Pass(instrument_from_id("engine-40-06"), 8.0),
    *(
        Pass(instrument_from_id(f"engine-{name}"))
        for name in ("15-04", "20-04", "25-04", "25-06", "30-06")
    ),
]


def curved(spatial):
    """Return a canal of 13 mm with 30° at R 5 mm; in space with a second bend across."""
    level = np.linspace(0.0, 13.0, 131)
    first = np.where(level < 2.6, 0.2, 0.0)
    second = np.where((level > 3.0) & (level < 7.0), 0.1 if spatial else 0.0, 0.0)
    tangent = np.zeros((131, 3))
    tangent[-1] = 0.0, 0.0, 1.0
    for i in range(130, 0, -1):
        bend = np.array([first[i], second[i], 0.0])
        step = tangent[i] - 0.1 * (bend - tangent[i] * (bend @ tangent[i]))
        tangent[i - 1] = step / np.linalg.norm(step)
    ways = 0.05 * (tangent[1:] + tangent[:-1])
    axis = np.concatenate([np.zeros((1, 3)), np.cumsum(ways, axis=0)])
    radius = np.repeat((0.08 + 0.015 * level)[:, None], 64, axis=1)
    zero = np.zeros(131)
    frame = bishop_frame(axis, first_direction=[1.0, 0.0, 0.0])
    return Canal("", level, axis, frame.direction0, radius, radius + 1.5, zero, zero, zero, zero)


@pytest.mark.benchmark(timer=time.process_time, warmup=True, min_rounds=10)
@pytest.mark.parametrize("name", GOALS)
def test_a_sequence_is_fast_enough_to_try_many(benchmark, name):
    axis = CanalAxis.of(curved(name == "space"))
    assert axis.mirrors(axis.original_mm) == (name == "planar")
    steps = benchmark(shape_sequence, axis, PASSES)
    assert all(step.visits.converged.all() for step in steps)
    if benchmark.stats is not None:
        assert benchmark.stats["median"] <= GOALS[name]


@njit
def united(sections, cosine, sine, offset, disc):
    for j in range(sections.shape[0]):
        unite(sections[j], cosine, sine, offset[j], 0.0, disc[j], 0.02, 0.01)


@pytest.mark.benchmark(timer=time.process_time, min_rounds=200)
def test_the_union_of_one_pass(benchmark):
    rng = np.random.default_rng(0)
    theta = directions_rad()
    offset, disc = rng.normal(0.0, 0.02, 200), 0.15 + 0.02 * np.arange(200) / 200
    before = np.repeat(0.13 + 0.02 * np.arange(200)[:, None] / 200, 64, axis=1)
    united(before.copy(), np.cos(theta), np.sin(theta), offset, disc)
    benchmark.pedantic(
        united,
        setup=lambda: ((before.copy(), np.cos(theta), np.sin(theta), offset, disc), {}),
        rounds=300,
    )
    if benchmark.stats is not None:
        assert benchmark.stats["median"] <= 0.05e-3
