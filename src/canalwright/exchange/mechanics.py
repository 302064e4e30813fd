"""Records of the mechanics of instruments, alone and side by side."""

from __future__ import annotations

from canalwright.exchange.document import Finite, NotNegative, Record
from canalwright.exchange.graded import GradedRecord, graded_record
from canalwright.exchange.numbers import number, number_list
from canalwright.mechanics.bench_tests import BendingTest, TorsionTest
from canalwright.mechanics.instrument_summary import InstrumentSummary
from canalwright.mechanics.side_by_side import Curve, MechanicalComparison

__all__ = [
    "MechanicalComparisonRecord",
    "MechanicsRecord",
    "comparison_mechanics_record",
    "mechanics_record",
]

_DIGITS = 5


class BendingRecord(Record):
    """The simulated bending test to 45°, tip held over 3 mm."""

    moment_ncm: NotNegative
    stiffness_nmm_per_rad: NotNegative
    peak_strain: NotNegative
    pin_station_mm: NotNegative
    largest_ncm: GradedRecord | None = None


class TorsionRecord(Record):
    """The simulated torsion test, tip held over 3 mm; the angle at failure is not computed."""

    first_yield_ncm: NotNegative
    strength_ncm: NotNegative
    weakest_station_mm: NotNegative
    stiffness_nmm_per_rad: NotNegative
    twist_at_first_yield_deg: NotNegative
    angle_at_failure_deg: None = None
    least_ncm: GradedRecord | None = None
    least_angle_deg: GradedRecord | None = None


class MechanicsRecord(Record):
    """Mechanics of one instrument; lists run over ``station_mm``."""

    instrument: str
    alloy: str
    station_mm: list[NotNegative]
    diameter_mm: list[NotNegative]
    area_mm2: list[NotNegative]
    inertia_mm4: list[NotNegative]
    torsion_mm4: list[NotNegative]
    strength_ncm: list[NotNegative]
    volume_mm3: NotNegative
    bending: BendingRecord
    bending_standing: str
    torsion: TorsionRecord
    torsion_standing: str


class MechanicalComparisonRecord(Record):
    """Instrument b over instrument a; volumes are those of the cutting parts."""

    a: str
    b: str
    a_volume_mm3: NotNegative
    b_volume_mm3: NotNegative
    a_bending: BendingRecord
    b_bending: BendingRecord
    a_torsion: TorsionRecord
    b_torsion: TorsionRecord
    moment_ratio: NotNegative
    stiffness_ratio: NotNegative
    strength_ratio: NotNegative
    life_ratio: NotNegative | None = None
    curve_radius_mm: Finite
    curve_station_mm: Finite


def mechanics_record(summary: InstrumentSummary) -> MechanicsRecord:
    """Return the mechanics of an instrument as a record."""
    sections, strength = summary.sections, summary.alloy.shear_strength_mpa.value
    return MechanicsRecord(
        instrument=summary.instrument.id,
        alloy=summary.alloy.name,
        station_mm=number_list(sections.station_mm),
        diameter_mm=number_list(sections.diameter_mm),
        area_mm2=number_list(sections.area_mm2, 6),
        inertia_mm4=number_list(sections.inertia_mm4, 9),
        torsion_mm4=number_list(sections.torsion_mm4, 9),
        strength_ncm=number_list(strength * sections.plastic_modulus_mm3 / 10.0, _DIGITS),
        volume_mm3=_rounded(summary.volume_mm3),
        bending=_bending(summary.bending),
        bending_standing=str(summary.bending_standing),
        torsion=_torsion(summary.torsion),
        torsion_standing=str(summary.torsion_standing),
    )


def comparison_mechanics_record(
    ids: tuple[str, str], compared: MechanicalComparison, curve: Curve
) -> MechanicalComparisonRecord:
    """Return a mechanical comparison as a record."""
    return MechanicalComparisonRecord(
        a=ids[0],
        b=ids[1],
        a_volume_mm3=_rounded(compared.a_volume_mm3),
        b_volume_mm3=_rounded(compared.b_volume_mm3),
        a_bending=_bending(compared.a_bending),
        b_bending=_bending(compared.b_bending),
        a_torsion=_torsion(compared.a_torsion),
        b_torsion=_torsion(compared.b_torsion),
        moment_ratio=_rounded(compared.moment_ratio),
        stiffness_ratio=_rounded(compared.stiffness_ratio),
        strength_ratio=_rounded(compared.strength_ratio),
        life_ratio=number(compared.life_ratio, _DIGITS),
        curve_radius_mm=curve.radius_mm,
        curve_station_mm=curve.station_mm,
    )


def _bending(done: BendingTest) -> BendingRecord:
    return BendingRecord(
        moment_ncm=_rounded(done.moment_ncm),
        stiffness_nmm_per_rad=_rounded(done.stiffness_nmm_per_rad),
        peak_strain=_rounded(done.peak_strain),
        pin_station_mm=done.pin_station_mm,
        largest_ncm=graded_record(done.largest_ncm),
    )


def _torsion(done: TorsionTest) -> TorsionRecord:
    return TorsionRecord(
        first_yield_ncm=_rounded(done.first_yield_ncm),
        strength_ncm=_rounded(done.strength_ncm),
        weakest_station_mm=_rounded(done.weakest_station_mm),
        stiffness_nmm_per_rad=_rounded(done.stiffness_nmm_per_rad),
        twist_at_first_yield_deg=_rounded(done.twist_at_first_yield_deg),
        least_ncm=graded_record(done.least_ncm),
        least_angle_deg=graded_record(done.least_angle_deg),
    )


def _rounded(value: float) -> float:
    return round(float(value), _DIGITS)
