"""How long planning takes, and how much faster than trying every sequence.

Run as ``python benchmarks/plan_search.py``. Times are the best of several warm runs on whatever
machine this is; the comparison with trying every sequence is made in the same run, on a tray and
a sequence length where that ends.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

import numpy as np

from canalwright.instruments.standard import instrument_from_id
from canalwright.instruments.tray import standard_tray
from canalwright.planning import plan
from canalwright.planning.limits import Rules
from canalwright.planning.moves import candidate_passes, default_depths_mm
from canalwright.planning.search import Problem, search
from canalwright.planning.times import DEFAULT_TIMES
from canalwright.planning.types import Limits, Target
from canalwright.shaping.shape import Shape
from support.brute import all_complete, non_dominated
from support.canals import tapered_canal

CANALS = {
    "narrow, slim taper": {"apical_mm": 0.12, "taper_mm_per_mm": 0.02, "oval": 2.0},
    "narrow": {"apical_mm": 0.15, "taper_mm_per_mm": 0.03, "oval": 2.0, "curve_radius_mm": 12.0},
    "usual": {"apical_mm": 0.20, "taper_mm_per_mm": 0.03, "oval": 2.0, "curve_radius_mm": 12.0},
    "wide": {"apical_mm": 0.30, "taper_mm_per_mm": 0.05},
}
SMALL_TRAY = ("hand-20-02", "engine-20-02", "engine-20-04", "engine-25-02", "engine-25-04",
              "engine-40-04", "engine-50-04", "engine-50-06", "engine-30-04")  # fmt: skip


def _best_s(run, repeats=5):
    run()
    took = []
    for _ in range(repeats):
        begin = time.perf_counter()
        run()
        took.append(time.perf_counter() - begin)
    return min(took)


def _first_s(canal, tray):
    begin, took = time.perf_counter(), []
    plan(canal, tray, on_first=lambda _: took.append(time.perf_counter() - begin))
    return took[0] if took else float("nan")


def _rules(shape, target):
    return Rules(shape, target, Limits(), np.zeros(len(shape.level_mm)), shape.level_mm[-1])


def whole_tray() -> None:
    """Time the whole standard tray, with everything that `plan` does."""
    tray = standard_tray()
    print(f"standard tray, {len(tray.instruments)} instruments, default depths, 8 passes")
    for name, made in CANALS.items():
        canal = tapered_canal(**made)
        shape = Shape.of(canal)
        passes = candidate_passes(tray.instruments, default_depths_mm(canal.length_mm))
        problem = Problem(shape, passes, _rules(shape, Target()))
        outcome = search(problem)
        searched = _best_s(lambda p=problem: search(p))
        whole = _best_s(lambda c=canal: plan(c, tray), 3)
        first = min(_first_s(canal, tray) for _ in range(3))
        print(
            f"  {name:20} search {searched:6.3f} s, first plan {first:6.3f} s, all with full loads "
            f"and reasons {whole:6.3f} s; "
            f"{outcome.states} canals, {outcome.labels} partial sequences, "
            f"{len(outcome.candidates)} non-dominated"
        )


def against_every_sequence() -> None:
    """Compare with trying every sequence where that ends."""
    canal = tapered_canal(apical_mm=0.18, taper_mm_per_mm=0.036, spacing_mm=0.25)
    shape = Shape.of(canal)
    passes = candidate_passes([instrument_from_id(name) for name in SMALL_TRAY], (0.0, 6.5))
    rules = _rules(shape, Target())
    most = 6
    begin = time.perf_counter()
    every = list(
        all_complete(
            shape, passes, rules.target, rules.limits, rules.curvature_per_mm,
            rules.length_mm, DEFAULT_TIMES, most,
        )
    )  # fmt: skip
    brute = time.perf_counter() - begin
    problem = Problem(shape, passes, rules, most)
    outcome = search(problem, states=20_000, labels=50_000)
    quick = _best_s(lambda: search(problem, states=20_000, labels=50_000))
    wanted = non_dominated([(len(p), t, r, v) for p, t, r, v in every])
    same = len(wanted) == len(outcome.candidates)
    print(
        f"every sequence of up to {most} of {len(passes)} passes: {brute:.2f} s, search "
        f"{quick * 1e3:.1f} ms, {brute / quick:.0f} times faster; {len(every)} feasible, "
        f"{len(wanted)} non-dominated, equal: {same}"
    )


if __name__ == "__main__":
    whole_tray()
    against_every_sequence()
