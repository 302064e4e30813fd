"""Time of comparing two canals and of the sweep through voxels, warm.

Goal for the sweep: 1 s at 25 µm for six instruments at twelve depths. Run as
``python -m pytest benchmarks/bench_evaluate.py --benchmark-only``. Times are the processor's.
"""

from __future__ import annotations

import time

import pytest

from canalwright.imaging.phantom import true_canals
from canalwright.imaging.phantom_models import root_phantom
from canalwright.imaging.phantom_pairs import Preparation, prepared_truth
from canalwright.instruments.standard import find_instrument
from canalwright.shaping.evaluation import evaluate_pair
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import Pass
from canalwright.shaping.voxel_sweep import voxel_check


@pytest.mark.benchmark(timer=time.process_time, warmup=True)
def test_two_canals(benchmark):
    before, after = prepared_truth(root_phantom(2), "main", Preparation())
    found = benchmark(evaluate_pair, before, after)
    assert found.removed_mm3.value > 0.0


@pytest.mark.benchmark(timer=time.process_time, warmup=True)
def test_sweep_at_25_um(benchmark):
    names = ("hand-15-02", "engine-20-04", "engine-25-04", "engine-25-06", "engine-30-06",
             "engine-35-06")  # fmt: skip
    canal = true_canals(root_phantom(1))["main"]
    steps = shape_sequence(canal, [Pass(find_instrument(name)) for name in names])
    check = benchmark(voxel_check, steps)
    benchmark.extra_info["positions"] = check.positions
    assert check.agrees
    assert benchmark.stats.stats.median <= 1.0
