"""Everything in order: the steps with irrigation and recapitulation between, gauging at the end.

Common practice, no source; the times are those of `TimeModel` and only rank plans.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from canalwright.instruments.instrument import Instrument, Kind
from canalwright.planning.explain import Walk, purpose_of
from canalwright.planning.situation import Situation
from canalwright.planning.step_types import Action
from canalwright.planning.wording import to_depth

__all__ = ["PHASE_LIMITS", "course_of", "gauging_note", "widest_tip"]

_EVERYWHERE: Final = (
    "step_mm",
    "step_area_percent",
    "engaged_mm",
    "dentin_left_mm",
    "transportation_mm",
)
_DRIVEN: Final = (
    "torque_fraction",
    "torque_end_fraction",
    "torque_peak_fraction",
    "strain",
    "fatigue_fraction",
    "screw_in_n",
    "loose_tip_mm",
)
PHASE_LIMITS: Final[dict[str, tuple[str, ...]]] = {
    "patency": ("hand_step_percent",),
    "scouting": ("hand_step_percent", "hand_size_in_curve"),
    "recapitulation": ("hand_size_in_curve",),
    "glide path": (
        "hand_step_percent",
        "hand_size_in_curve",
        "glide_step_percent",
        "glide_start_mm",
        *_EVERYWHERE,
        *_DRIVEN,
    ),
    "crown-down": (
        "step_percent",
        "glide_path_mm",
        "flare_over_target_mm",
        "over_target_mm",
        *_EVERYWHERE,
        *_DRIVEN,
    ),
    "shaping": ("step_percent", "glide_path_mm", "over_target_mm", *_EVERYWHERE, *_DRIVEN),
    "finishing": (
        "finishing_step_percent",
        "glide_path_mm",
        "over_target_mm",
        *_EVERYWHERE,
        *_DRIVEN,
    ),
    "gauging": ("gauging_over_mm",),
}
"""Limits by phase; a file that no motor drives keeps `hand_step_percent` in all of them."""


def course_of(situation: Situation, walk: Walk) -> tuple[Action, ...]:
    """Return everything to do in order; the times add up to that of the plan."""
    return tuple(_actions(situation, walk))


def _actions(situation: Situation, walk: Walk) -> Iterator[Action]:
    times, small = situation.times, _small_file(situation, walk)
    if situation.patency is not None:
        file, past = situation.patency.instrument, max(-situation.patency.tip_level_mm, 0.0)
        text = f"{file.id} {past:.1f} mm past the terminus."
        yield Action("patency", text, times.step_s(Kind.HAND, 0.0), None, file.id)
    for index, done in enumerate(walk.steps):
        made = done.made
        yield Action(
            purpose_of(situation, walk, index),
            f"{made.instrument.id} {to_depth(made.tip_level_mm)}.",
            times.take_up_s.value + times.working_s(made.instrument.kind, done.removed_mm3),
            index + 1,
            made.instrument.id,
        )
        yield Action("irrigation", "Irrigate.", times.irrigation_s.value)
        name, id_ = (small.id, small.id) if small else ("A small hand file", "")
        end = to_depth(situation.rules.target.end_level_mm)
        yield Action(
            "recapitulation",
            f"{name} {end}: the way is still open.",
            times.recapitulation_s.value,
            None,
            id_,
        )
    note = gauging_note(situation, walk)
    if note:
        yield Action("gauging", note, times.gauging_s.value)


def _small_file(situation: Situation, walk: Walk) -> Instrument | None:
    """Return the hand file that recapitulates: the patency file, or the smallest one used."""
    if situation.patency is not None:
        return situation.patency.instrument
    files = [d.made.instrument for d in walk.steps if d.made.instrument.kind is Kind.HAND]
    return min(files, key=lambda file: file.size, default=None)


def gauging_note(situation: Situation, walk: Walk) -> str:
    """Say how to check the apical size; empty where nothing is cut there."""
    end = situation.rules.target.end_level_mm
    if not any(done.engaged.any() and done.made.tip_level_mm <= end for done in walk.steps):
        return ""
    where = "the terminus" if end == 0.0 else f"level {end:.1f} mm"
    return (
        f"Gauge {where} at the end: a hand file of size {widest_tip(walk, end)}, let down without "
        f"turning, should stop at {where}. If it passes, the canal is wider there than planned."
    )


def widest_tip(walk: Walk, end_mm: float) -> int:
    """Return the largest size taken to the end of the preparation."""
    return max(d.made.instrument.size for d in walk.steps if d.made.tip_level_mm <= end_mm)
