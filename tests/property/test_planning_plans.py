"""Plans hold when they are carried out again without the search, and reasons are true."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.tray import standard_tray
from canalwright.planning import plan
from canalwright.planning.limits import Rules, broken, is_glide_file, judged
from canalwright.planning.patency import usual_patency
from canalwright.planning.situation import canal_curvature_per_mm
from canalwright.planning.types import Limits, Target
from canalwright.shaping.shape import Pass, Shape, step
from support.brute import allowed
from support.canals import tapered_canal

CANALS = {
    "narrow": tapered_canal(apical_mm=0.12, taper_mm_per_mm=0.03, oval=1.8, curve_radius_mm=10.0),
    "moderate": tapered_canal(apical_mm=0.18, taper_mm_per_mm=0.03, oval=2.0, curve_radius_mm=14.0),
    "straight": tapered_canal(apical_mm=0.25, taper_mm_per_mm=0.02, length_mm=15.0),
    "thin root": tapered_canal(apical_mm=0.2, taper_mm_per_mm=0.03, outer_mm=2.4, length_mm=11.0),
    "short": tapered_canal(apical_mm=0.15, taper_mm_per_mm=0.05, length_mm=9.0, oval=3.0),
}
TRAY = standard_tray()
# Relaxed so far that the limit cannot bind.
FREE = {"dentin_left_mm": 1e-9, "glide_path_mm": 1e-9, "glide_start_mm": 1e-9}


@pytest.fixture(scope="module", params=list(CANALS))
def planned(request):
    canal = CANALS[request.param]
    return canal, plan(canal, TRAY, patency=usual_patency(TRAY.instruments))


def test_every_step_keeps_every_limit_when_carried_out_again(planned):
    canal, result = planned
    target, limits = result.target, result.limits
    curvature = canal_curvature_per_mm(canal)
    for one in result.plans:
        shape = result.start
        for planned_step in one.steps:
            done = step(shape, planned_step.step.made)
            if planned_step.purpose == "scouting":
                # Put in after the search; it leaves the canal as it is.
                assert done.after.radius_mm == pytest.approx(shape.radius_mm, abs=1e-6)
                continue
            assert allowed(result.start, shape, done, target, limits, curvature, canal.length_mm), (
                planned_step.instrument.id
            )
            shape = done.after
        assert np.all(shape.inscribed_mm >= target.diameter_mm(shape.level_mm) - 1e-6)


def test_totals_are_those_of_the_steps(planned):
    _, result = planned
    for one in result.plans:
        removed = one.final.volume_mm3 - result.start.volume_mm3
        assert one.totals.removed_mm3 == pytest.approx(removed, abs=1e-9)
        assert one.totals.instruments == len(one.steps)
        used = [
            m.used
            for s in one.steps
            for m in s.margins
            if m.constraint in {"step_percent", "hand_step_percent", "step_mm", "engaged_mm"}
        ]
        assert one.totals.risk == pytest.approx(max(used))


def test_recommended_sequence_makes_clinical_sense(planned):
    _, result = planned
    steps = result.plans[0].steps
    assert 1 <= len(steps) <= 9
    slim = is_glide_file(steps[0].instrument, result.limits)
    assert steps[0].instrument.kind == "hand" or (slim and result.patency is not None)
    steps = steps[steps[0].purpose == "scouting" :]
    shape = result.start
    for one in steps:
        made = one.step.made
        tip = np.argmax(shape.level_mm >= made.tip_level_mm - 1e-9)
        assert one.step.engaged.any()
        if shape.inscribed_mm[tip] > result.start.inscribed_mm[tip] + 1e-9:
            # no larger instrument before a smaller one at the same depth
            assert shape.inscribed_mm[tip] <= made.instrument.tip_diameter_mm + 1e-6
        if one.instrument.kind == "engine":
            wide = 0.10 if is_glide_file(one.instrument, result.limits) else 0.15
            assert shape.inscribed_mm[tip:].min() >= wide - 1e-9
        shape = one.step.after


def test_every_binding_limit_really_binds(planned):
    canal, result = planned
    shapes = [result.start, *(s.step.after for s in result.plans[0].steps)]
    curvature = canal_curvature_per_mm(canal)
    named = {i.id: i for i in TRAY.instruments}
    checked = 0
    for one in result.rejected:
        if one.value is None or one.constraint in {"no_cut", "cutting_length_mm"}:
            continue
        shape = shapes[one.before_step - 1]
        done = step(shape, Pass(named[one.instrument], one.to_level_mm))
        rules = Rules(result.start, result.target, result.limits, curvature, canal.length_mm)
        others = {m.constraint for m in one.also}
        assert one.constraint in {m.constraint for m in broken(judged(shape, done, rules))}
        freed = replace(rules, limits=_freed(result.limits, others))
        left = {m.constraint for m in broken(judged(shape, done, freed))} - _fixed(others)
        assert left == {one.constraint}
        admitted = replace(rules, limits=_freed(result.limits, others | {one.constraint}))
        left = {m.constraint for m in broken(judged(shape, done, admitted))}
        assert left <= _fixed(others | {one.constraint})
        checked += 1
    assert checked >= 10


def test_every_instrument_is_used_or_has_a_reason(planned):
    _, result = planned
    used = {s.instrument.id for s in result.plans[0].steps}
    told = [one.instrument for one in result.rejected]
    assert len(told) == len(set(told))
    assert used | set(told) == {i.id for i in TRAY.instruments}
    assert not used & set(told)


def test_larger_targets_take_no_less_dentin():
    canal = CANALS["moderate"]
    removed = [
        min(p.totals.removed_mm3 for p in plan(canal, TRAY, Target(size, 0.04)).plans)
        for size in (20, 25, 30, 35)
    ]
    assert removed == sorted(removed)


def test_measured_canal_below_what_an_image_shows_starts_at_the_smallest_file():
    canal = tapered_canal(apical_mm=0.03, taper_mm_per_mm=0.03)
    result = plan(canal, TRAY, Target(20, 0.02))
    assert result.start.inscribed_mm.min() == pytest.approx(0.06)
    assert "START_NOT_RESOLVED" in {c.code for c in result.cautions}
    assert np.array_equal(Shape.of(canal).inscribed_mm[20:], result.start.inscribed_mm[20:])


def _freed(limits: Limits, names: set[str]) -> Limits:
    for name in names - _fixed(names):
        unit = getattr(limits, name).unit
        free = Graded(FREE.get(name, 1e9), unit, Evidence.OPERATOR)
        limits = replace(limits, **{name: free})
    return limits


def _fixed(names: set[str]) -> set[str]:
    """Return names that no entry of the limits stands for, or a play of 0 behind another file."""
    return names & {"no_cut", "cutting_length_mm", "overall_length_mm", "loose_tip_mm"}
