"""Parts of ``canalwright/plan@1``: limits reached, full loads, the course, confidence."""

from __future__ import annotations

import numpy as np

from canalwright.exchange.document import Finite, NotNegative, Record
from canalwright.exchange.numbers import number, number_list, optional_list
from canalwright.exchange.used_lives import UsedLifeRecord, used_life_record
from canalwright.planning.course import PHASE_LIMITS
from canalwright.planning.step_types import Action, Confidence, Dropped, FullStep, Margin

__all__ = [
    "ActionRecord",
    "ConfidenceRecord",
    "DroppedRecord",
    "FullRecord",
    "MarginRecord",
    "action_record",
    "confidence_record",
    "dropped_record",
    "full_record",
    "margin_record",
    "phase_limits",
]


class MarginRecord(Record):
    """One limit against the value reached."""

    constraint: str
    value: Finite | None
    limit: Finite | None
    unit: str
    level_mm: Finite | None
    used: Finite | None


class FullRecord(Record):
    """One step with the instrument's computed place; arrays run over ``level_mm``.

    Transportation is counted from the untouched canal, positive toward the outer side of the
    curve.
    """

    peak_torque_ncm: NotNegative
    torque_fraction: NotNegative
    peak_strain: NotNegative
    peak_strain_level_mm: Finite
    wall_force_n_per_mm: NotNegative
    screw_in_n: Finite | None
    transportation_mm: list[Finite]
    transportation_max_mm: NotNegative
    dentin_left_min_mm: Finite | None
    dentin_left_mm: list[Finite | None]
    used_before: UsedLifeRecord | None
    used_after: UsedLifeRecord | None
    margins: list[MarginRecord]


class ActionRecord(Record):
    """One thing to do, in order; ``step`` counts from 1 and is null for what goes between."""

    phase: str
    text: str
    time_s: NotNegative
    step: int | None
    instrument: str


class DroppedRecord(Record):
    """A non-dominated sequence that breaks a limit under full loads."""

    sequence: list[str]
    to_level_mm: list[Finite]
    step: int
    constraint: str
    value: Finite | None
    limit: Finite | None
    unit: str
    level_mm: Finite | None
    text: str


class ConfidenceRecord(Record):
    """How the recommended plan was chosen for a confidence."""

    asked: NotNegative
    samples: int
    seed: int
    kept: bool
    text: str


def margin_record(margin: Margin) -> MarginRecord:
    """Return a limit and the value reached as a record."""
    return MarginRecord(
        constraint=margin.constraint,
        value=number(margin.value),
        limit=number(margin.limit),
        unit=margin.unit,
        level_mm=number(margin.level_mm),
        used=number(margin.used),
    )


def full_record(full: FullStep | None) -> FullRecord | None:
    """Return the full loads of a step as a record."""
    if full is None:
        return None
    loads, done = full.loads, full.done
    return FullRecord(
        peak_torque_ncm=round(loads.peak_torque_ncm, 4),
        torque_fraction=round(loads.torque_fraction, 4),
        peak_strain=round(loads.peak_strain, 6),
        peak_strain_level_mm=round(float(loads.peak_strain_level_mm), 4),
        wall_force_n_per_mm=round(done.peak_wall_force_n_per_mm, 4),
        screw_in_n=number(full.screw_in_n),
        transportation_mm=number_list(np.nan_to_num(done.transportation_mm)),
        transportation_max_mm=round(full.transportation_mm, 4),
        dentin_left_min_mm=number(done.dentin_left_min_mm),
        dentin_left_mm=optional_list(done.dentin_left_mm),
        used_before=used_life_record(full.life_before),
        used_after=used_life_record(full.life_after),
        margins=[margin_record(margin) for margin in full.margins],
    )


def action_record(action: Action) -> ActionRecord:
    """Return one thing to do as a record."""
    return ActionRecord(
        phase=action.phase,
        text=action.text,
        time_s=round(action.time_s, 1),
        step=action.step,
        instrument=action.instrument,
    )


def dropped_record(dropped: Dropped) -> DroppedRecord:
    """Return a dropped sequence as a record."""
    margin = dropped.margin
    return DroppedRecord(
        sequence=list(dropped.sequence),
        to_level_mm=[round(made.tip_level_mm, 4) + 0.0 for made in dropped.passes],
        step=dropped.step,
        constraint=margin.constraint,
        value=number(margin.value),
        limit=number(margin.limit),
        unit=margin.unit,
        level_mm=number(margin.level_mm),
        text=dropped.text,
    )


def confidence_record(sure: Confidence | None) -> ConfidenceRecord | None:
    """Return how the recommended plan was chosen as a record."""
    if sure is None:
        return None
    return ConfidenceRecord(
        asked=sure.asked, samples=sure.samples, seed=sure.seed, kept=sure.kept, text=sure.text
    )


def phase_limits() -> dict[str, list[str]]:
    """Return the names of the limits that hold in each phase."""
    return {phase: list(names) for phase, names in PHASE_LIMITS.items()}
