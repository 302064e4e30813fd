"""On random canals and trays no plan breaks a limit when it is carried out by other means."""

from __future__ import annotations

import numpy as np

from canalwright.errors import NoFeasiblePlan
from canalwright.instruments.standard import instrument_from_id
from canalwright.planning import plan
from canalwright.planning.load_report import load_report
from canalwright.planning.loads import speed_rpm
from canalwright.planning.simulation import simulate
from canalwright.planning.times import DEFAULT_TIMES
from canalwright.planning.types import Target
from canalwright.shaping.handling import Handling
from canalwright.shaping.sequence import shape_sequence
from canalwright.shaping.shape import step
from support.canals import tapered_canal

CASES = 12
SIZES = (15, 20, 25, 30, 35)


def _case(seed: int):
    draw = np.random.default_rng([seed, 77])
    canal = tapered_canal(
        apical_mm=float(draw.uniform(0.13, 0.24)),
        taper_mm_per_mm=float(draw.uniform(0.02, 0.045)),
        length_mm=float(draw.choice([9.0, 12.0])),
        spacing_mm=0.25,
        oval=float(draw.uniform(1.0, 2.0)),
        outer_mm=float(draw.uniform(2.2, 4.0)),
        curve_radius_mm=float(draw.uniform(5.0, 20.0)),
    )
    names = {f"engine-{draw.choice(SIZES)}-{draw.choice(['02', '04', '06'])}" for _ in range(8)}
    tray = [instrument_from_id(name) for name in ("hand-15-02", "hand-20-02", *sorted(names))]
    return canal, tray, Target(int(draw.choice([20, 25, 30])), float(draw.choice([0.02, 0.04])))


def _handling(made, shape):
    removed = step(shape, made).removed_mm3
    return Handling(
        working_s=DEFAULT_TIMES.working_s(made.instrument.kind, removed),
        speed_rpm=speed_rpm(made.instrument, DEFAULT_TIMES),
    )


def test_no_plan_breaks_a_limit_when_carried_out_by_other_means():
    checked = 0
    for seed in range(CASES):
        canal, tray, target = _case(seed)
        try:
            result = plan(canal, tray, target, max_instruments=6)
        except NoFeasiblePlan:
            continue
        for one in result.plans:
            passes = [s.step.made for s in one.steps]
            assert simulate(canal, passes, target, result.limits).broken == (), seed
            _check_off_center(canal, result, passes)
            checked += 1
    assert checked >= 6


def _check_off_center(canal, result, passes):
    limits, before = result.limits, result.start
    for done in shape_sequence(canal, passes, start=result.start, handling=_handling):
        made = done.made
        assert np.abs(done.transportation_mm).max() <= limits.transportation_mm.value + 1e-9
        cut = done.after.radius_mm - before.radius_mm > 1e-6
        cut &= (done.level_mm >= limits.dentin_from_mm.value)[:, None]
        left = (done.after.outer_radius_mm - done.after.radius_mm)[cut]
        assert left.size == 0 or left.min() >= limits.dentin_left_mm.value - 1e-9
        if made.instrument.kind == "engine":
            report = load_report(canal, before, made)
            share = report.loads.torque_fraction
            assert share <= limits.torque_peak_fraction.value + 1e-9
            assert (report.screw_in_n or 0.0) <= limits.screw_in_n.value
        before = done.after
