"""The ``loads`` of a ``step@1`` document: all tracks of one insertion with its true shape."""

from __future__ import annotations

import math

from canalwright.exchange.document import Finite, NotNegative, Record
from canalwright.exchange.graded import GradedRecord
from canalwright.exchange.load_parameters import instrument_parameter_records
from canalwright.exchange.numbers import number, number_list, optional_list
from canalwright.mechanics.advance import AdvanceLoads
from canalwright.mechanics.contacts import WallContact
from canalwright.mechanics.insertion import Limit
from canalwright.mechanics.rod_in_canal import Convergence
from canalwright.planning.load_report import LoadReport

__all__ = ["LoadsRecord", "loads_record"]


class ContactRecord(Record):
    """One place where the instrument presses on the wall."""

    level_mm: Finite
    station_mm: Finite
    force_n: NotNegative
    from_mm: Finite
    to_mm: Finite
    direction_deg: Finite
    side: str


class LimitRecord(Record):
    """One thing that limits the insertion; ``share`` 1 is at the limit."""

    name: str
    share: NotNegative
    station_mm: Finite
    text: str
    remedy: str


class PeckRecord(Record):
    """The last advance to the level, if it is made in one peck of this depth."""

    peck_mm: NotNegative
    torque_ncm: NotNegative
    screw_in_n: NotNegative | None
    flute_fill: NotNegative
    engaged_mm: NotNegative


class RemainingRecord(Record):
    """Time the instrument can still turn in the same place after this pass, at the same speed."""

    damage: NotNegative
    station_mm: Finite
    mean_s: NotNegative | None
    low_s: NotNegative | None
    high_s: NotNegative | None


class ConvergenceRecord(Record):
    """Evidence that an equilibrium was found."""

    converged: bool
    iterations: int
    step_mm: Finite
    residual_n: Finite


class LoadsRecord(Record):
    """Loads at the end of the pass; arrays run over the ``level_mm`` of the document."""

    canal_curvature_per_mm: list[Finite | None]
    file_curvature_per_mm: list[Finite | None]
    strain: list[Finite | None]
    wall_force_n_per_mm: list[NotNegative]
    torque_ncm: list[NotNegative]
    elastic_capacity_ncm: list[NotNegative]
    plastic_capacity_ncm: list[NotNegative]
    fatigue_used: list[NotNegative] | None
    contacts: list[ContactRecord]
    energy_nmm: Finite
    insertion_force_n: Finite
    sliding_force_n: NotNegative
    feed_force_n: NotNegative
    screw_in_n: NotNegative | None
    turning_push_n: Finite
    still_push_n: Finite
    torque_at_handle_ncm: NotNegative
    plastic_fraction: NotNegative
    plastic_worst_station_mm: Finite
    elastic_fraction: NotNegative
    peak_strain: NotNegative
    peak_strain_station_mm: Finite
    pecks: list[PeckRecord]
    remaining: RemainingRecord | None
    limits: list[LimitRecord]
    speed_rpm: NotNegative
    time_s: NotNegative
    feed_mm_per_s: NotNegative
    play_mm: NotNegative
    parameters: dict[str, GradedRecord | None]
    convergence: ConvergenceRecord


def loads_record(report: LoadReport) -> LoadsRecord:
    """Return a load report as a record."""
    insertion, loads, rod = report.insertion, report.loads, report.insertion.rod
    used = loads.fatigue_used
    return LoadsRecord(
        canal_curvature_per_mm=optional_list(report.canal_curvature_per_mm, 5),
        file_curvature_per_mm=optional_list(report.file_curvature_per_mm, 5),
        strain=optional_list(loads.strain, 6),
        wall_force_n_per_mm=number_list(insertion.wall_force_n_per_mm),
        torque_ncm=number_list(loads.torque_ncm, 5),
        elastic_capacity_ncm=number_list(report.elastic_capacity_ncm, 5),
        plastic_capacity_ncm=number_list(loads.capacity_ncm, 5),
        fatigue_used=None if used is None else number_list(used, 6),
        contacts=[_contact(contact) for contact in insertion.contacts],
        energy_nmm=_rounded(rod.energy_nmm),
        insertion_force_n=_rounded(rod.insertion_force_n),
        sliding_force_n=_rounded(insertion.sliding_force_n),
        feed_force_n=_rounded(report.feed_n),
        screw_in_n=number(report.screw_in_n),
        turning_push_n=_rounded(report.turning_push_n),
        still_push_n=_rounded(report.still_push_n),
        torque_at_handle_ncm=_rounded(loads.peak_torque_ncm),
        plastic_fraction=_rounded(loads.torque_fraction),
        plastic_worst_station_mm=_rounded(loads.torque_worst_station_mm),
        elastic_fraction=_rounded(report.elastic_fraction),
        peak_strain=round(loads.peak_strain, 6),
        peak_strain_station_mm=_rounded(loads.peak_strain_station_mm),
        pecks=[_peck(peck) for peck in report.pecks],
        remaining=_remaining(report),
        limits=[_limit(limit) for limit in report.limits],
        speed_rpm=report.speed_rpm,
        time_s=_rounded(report.time_s),
        feed_mm_per_s=_rounded(report.feed_mm_per_s),
        play_mm=report.play_mm,
        parameters=instrument_parameter_records(report.parameters, report.instrument),
        convergence=_convergence(rod.convergence),
    )


def _contact(contact: WallContact) -> ContactRecord:
    return ContactRecord(
        level_mm=_rounded(contact.level_mm),
        station_mm=_rounded(contact.station_mm),
        force_n=_rounded(contact.force_n),
        from_mm=_rounded(contact.from_mm),
        to_mm=_rounded(contact.to_mm),
        direction_deg=round(math.degrees(contact.direction_rad), 1) + 0.0,
        side=str(contact.side),
    )


def _limit(limit: Limit) -> LimitRecord:
    return LimitRecord(
        name=limit.name,
        share=_rounded(limit.share),
        station_mm=_rounded(limit.station_mm),
        text=limit.text,
        remedy=limit.remedy,
    )


def _peck(peck: AdvanceLoads) -> PeckRecord:
    return PeckRecord(
        peck_mm=_rounded(peck.tip_level_mm[0] - peck.tip_level_mm[-1]),
        torque_ncm=_rounded(peck.torque_ncm[-1]),
        screw_in_n=None if peck.screw_in_n is None else _rounded(peck.screw_in_n[-1]),
        flute_fill=_rounded(peck.flute_fill[-1]),
        engaged_mm=_rounded(peck.engaged_mm[-1]),
    )


def _remaining(report: LoadReport) -> RemainingRecord | None:
    left = report.remaining
    if left is None:
        return None
    return RemainingRecord(
        damage=round(left.damage, 6),
        station_mm=_rounded(max(float(report.loads.station_mm[left.station_index]), 0.0)),
        mean_s=number(left.mean_s, 1),
        low_s=number(left.low_s, 1),
        high_s=number(left.high_s, 1),
    )


def _convergence(found: Convergence) -> ConvergenceRecord:
    return ConvergenceRecord(
        converged=bool(found.converged),
        iterations=int(found.iterations),
        step_mm=float(found.step_mm),
        residual_n=float(found.residual_n),
    )


def _rounded(value: float) -> float:
    return round(float(value), 4) + 0.0
