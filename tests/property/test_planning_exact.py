"""The search finds exactly the non-dominated costs that trying every sequence finds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.build import tapered_instrument
from canalwright.instruments.instrument import Kind
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.planning.limits import Rules
from canalwright.planning.search import Problem, reachable, search
from canalwright.planning.times import DEFAULT_TIMES
from canalwright.planning.types import Limits, Target
from canalwright.shaping.shape import Pass, Shape
from support.brute import all_complete, non_dominated
from support.canals import tapered_canal

TRAYS = 320
MOST = 4


def _random_case(seed: int):
    """Return a small tray, a canal and limits that are tight in changing ways."""
    draw = np.random.default_rng([seed, 20240])
    canal = tapered_canal(
        apical_mm=float(draw.uniform(0.08, 0.24)),
        taper_mm_per_mm=float(draw.uniform(0.015, 0.05)),
        length_mm=float(draw.choice([6.0, 9.0])),
        spacing_mm=0.75,
        oval=float(draw.uniform(1.0, 2.0)),
        outer_mm=float(draw.uniform(1.2, 4.0)) if draw.random() < 0.7 else None,
    )
    start = Shape.of(canal)
    tray = [
        tapered_instrument(
            int(draw.choice([10, 15, 20, 25, 30, 35, 40])),
            float(draw.choice([0.02, 0.04, 0.06])),
            kind=Kind.HAND if draw.random() < 0.4 else Kind.ENGINE,
            id=f"file-{k}",
            cutting_length_mm=float(draw.choice([4.0, 16.0], p=[0.2, 0.8])),
        )
        for k in range(9)
    ]
    coronal = float(draw.choice([2.0, 3.0]))
    passes = tuple(
        Pass(file, depth) for file in tray for depth in (0.0, coronal) if draw.random() < 0.8
    ) or (Pass(tray[0]),)
    limits = _random_limits(draw)
    target = Target(
        int(draw.choice([15, 20, 25, 30], p=[0.2, 0.3, 0.3, 0.2])),
        float(draw.choice([0.02, 0.04], p=[0.7, 0.3])),
        float(draw.choice([3.0, 16.0])),
    )
    curvature = np.where(canal.level_mm < 3.0, draw.choice([0.0, 0.1]), 0.0)
    rules = Rules(
        start,
        target,
        limits,
        curvature,
        canal.length_mm,
        DEFAULT_LOAD_PARAMETERS.with_fatigue_test(0.04, float(draw.choice([100.0, 500.0]))),
    )
    return start, passes, rules


def _random_limits(draw) -> Limits:
    values = {
        "step_percent": draw.uniform(40.0, 130.0),
        "hand_step_percent": draw.uniform(40.0, 150.0),
        "glide_step_percent": draw.uniform(40.0, 130.0),
        "finishing_step_percent": draw.uniform(40.0, 130.0),
        "step_area_percent": draw.uniform(150.0, 500.0),
        "glide_start_mm": draw.uniform(0.06, 0.12),
        "step_mm": draw.uniform(0.12, 0.4),
        "engaged_mm": draw.uniform(4.0, 12.0),
        "dentin_left_mm": draw.uniform(0.1, 0.5),
        "over_target_mm": draw.uniform(0.04, 0.3),
        "glide_path_mm": draw.uniform(0.08, 0.15),
        "torque_end_fraction": draw.uniform(0.5, 3.0),
        "torque_fraction": draw.uniform(0.2, 1.0),
        "fatigue_fraction": draw.uniform(0.01, 0.2),
        "loose_tip_mm": draw.uniform(0.03, 0.2),
    }
    limits = Limits()
    for name, value in values.items():
        unit = getattr(limits, name).unit
        limits = replace(limits, **{name: Graded(float(value), unit, Evidence.OPERATOR)})
    return limits


def test_search_equals_trying_every_sequence():
    feasible, several = 0, 0
    for seed in range(TRAYS):
        start, passes, rules = _random_case(seed)
        every = _every_sequence(start, passes, rules)
        wanted = non_dominated([(len(used), t, risk, v) for used, t, risk, v in every])
        problem = Problem(start, passes, rules, MOST)
        outcome = search(problem, states=20_000, labels=50_000)
        found = non_dominated(
            [(len(c.passes), c.time_s, c.risk, c.removed_mm3) for c in outcome.candidates]
        )
        assert outcome.complete
        assert len(outcome.candidates) == len(found)
        # Sums of volumes taken in another order differ in the last digits.
        assert np.allclose(sorted(found), sorted(wanted), rtol=0, atol=2e-7), seed
        assert bool(reachable(problem, states=20_000).candidates) == bool(every)
        feasible += bool(every)
        several += len(found) > 1
    # Trays that lead nowhere would show little.
    assert feasible >= 60
    assert several >= 20


def _every_sequence(start, passes, rules):
    return list(
        all_complete(
            start,
            passes,
            rules.target,
            rules.limits,
            rules.curvature_per_mm,
            rules.length_mm,
            DEFAULT_TIMES,
            MOST,
            rules.parameters,
        )
    )
