"""Load reports of one insertion, and calibrations, as tables and sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from canalwright.mechanics.advance import AdvanceLoads
from canalwright.mechanics.calibration import Calibration
from canalwright.mechanics.contacts import WallContact
from canalwright.mechanics.helix import pitch_is_stated
from canalwright.planning.load_report import LoadReport
from canalwright.reports.picking import indices_every_mm
from canalwright.reports.tables import TextTable
from canalwright.reports.text import MISSING, format_number, format_percent

__all__ = [
    "calibration_table",
    "contact_table",
    "limit_table",
    "load_sentences",
    "load_table",
    "peck_table",
]


_SCREW_ESTIMATE: Final = "from an assumed share"


def load_table(canal_name: str, report: LoadReport) -> TextTable:
    """Return all tracks millimeter by millimeter."""
    level = report.loads.level_mm
    rows = tuple(_row(report, at) for at in indices_every_mm(level, 1.0))
    title = f"Loads on {report.instrument.id} in {canal_name} (estimates)"
    return TextTable(
        title,
        _right(
            "level mm",
            "station mm",
            "canal 1/mm",
            "file 1/mm",
            "strain",
            "wall N/mm",
            "torque N·cm",
            "of yield",
            "of strength",
            "fatigue",
        ),
        rows,
    )


def _row(report: LoadReport, at: int) -> tuple[str, ...]:
    loads, insertion = report.loads, report.insertion
    station = float(loads.station_mm[at])
    if station < -1e-9:
        return (format_number(float(loads.level_mm[at]), 1), "beyond", *[""] * 8)
    used = None if loads.fatigue_used is None else 100.0 * float(loads.fatigue_used[at])
    return (
        format_number(float(loads.level_mm[at]), 1),
        format_number(station, 1),
        format_number(float(report.canal_curvature_per_mm[at]), 3),
        format_number(float(report.file_curvature_per_mm[at]), 3),
        format_percent(100.0 * float(loads.strain[at]), 2),
        format_number(float(insertion.wall_force_n_per_mm[at]), 2),
        format_number(float(loads.torque_ncm[at]), 3),
        _share(float(loads.torque_ncm[at]), float(report.elastic_capacity_ncm[at])),
        _share(float(loads.torque_ncm[at]), float(loads.capacity_ncm[at])),
        format_percent(used, 1),
    )


def contact_table(contacts: Sequence[WallContact]) -> TextTable:
    """Return where the instrument presses on the wall."""
    return TextTable(
        "Wall forces from the tip up",
        (*_right("level mm", "station mm", "force N", "from mm", "to mm"), ("side", "left")),
        tuple(
            (
                format_number(contact.level_mm, 1),
                format_number(contact.station_mm, 1),
                format_number(contact.force_n, 2),
                format_number(contact.from_mm, 1),
                format_number(contact.to_mm, 1),
                str(contact.side),
            )
            for contact in contacts
            if contact.force_n >= 0.005
        ),
    )


def peck_table(pecks: Sequence[AdvanceLoads]) -> TextTable:
    """Return the last advance by the depth of the peck."""
    return TextTable(
        "Last advance by depth of the peck",
        _right("peck mm", "engaged mm", "cutting torque N·cm", "screw-in N", "flutes filled"),
        tuple(
            (
                format_number(float(peck.tip_level_mm[0] - peck.tip_level_mm[-1]), 1),
                format_number(float(peck.engaged_mm[-1]), 1),
                format_number(float(peck.torque_ncm[-1]), 2),
                MISSING
                if peck.screw_in_n is None
                else format_number(float(peck.screw_in_n[-1]), 2),
                format_percent(100.0 * float(peck.flute_fill[-1])),
            )
            for peck in pecks
        ),
    )


def limit_table(report: LoadReport) -> TextTable:
    """Return what limits, nearest to its limit first, and what would lower it."""
    return TextTable(
        "What limits",
        (("", "left"), ("of limit", "right"), ("estimate", "text"), ("what to change", "text")),
        tuple(
            (limit.name, format_percent(100.0 * limit.share), limit.text, limit.remedy)
            for limit in report.limits
        ),
    )


def load_sentences(report: LoadReport) -> tuple[str, ...]:
    """Return the push on the handle, the torque and the life of the instrument in words."""
    return (_push(report), _torque(report), _life(report))


def _push(report: LoadReport) -> str:
    insertion = report.insertion
    pull = report.screw_in_n
    bending = format_number(insertion.rod.insertion_force_n, 2)
    if pull is not None:
        pitch = "" if pitch_is_stated(report.instrument) else ", its pitch assumed"
        screw = f", less a screw-in pull of {pull:.2f} N ({_SCREW_ESTIMATE}{pitch})"
    elif report.peck is not None:
        screw = " (a round file has no flutes to pull it in)"
    else:
        screw = ""
    turning = report.turning_push_n
    held = "pulls itself in with" if turning < 0.0 else "needs a push of"
    return (
        f"Axial force: bending alone asks for {bending} N, friction "
        f"without turning for {insertion.sliding_force_n:.2f} N more, cutting for "
        f"{report.feed_n:.2f} N{screw}; turning, it {held} {abs(turning):.2f} N."
    )


def _torque(report: LoadReport) -> str:
    loads = report.loads
    share = 100.0 * loads.torque_fraction
    if report.first_touch_mm is None:
        return (
            f"Loose: it cuts nothing; rubbing asks for {loads.peak_torque_ncm:.2f} N·cm at "
            f"{report.speed_rpm:g} rpm."
        )
    margin = f"margin {100.0 - share:.0f} %" if share <= 100.0 else "it would break"
    return (
        "Torque at the handle at the end of the advance "
        f"{loads.peak_torque_ncm:.2f} N·cm at {report.speed_rpm:g} rpm and "
        f"{report.feed_mm_per_s:.2f} mm/s within a peck; weakest station "
        f"{loads.torque_worst_station_mm:.1f} mm: {share:.0f} % of its strength, {margin}; at most "
        f"{100.0 * report.elastic_fraction:.0f} % of first yield."
    )


def _life(report: LoadReport) -> str:
    left = report.remaining
    if left is None:
        return "Fatigue: not stated without a test point (--fatigue-test STRAIN:CYCLES)."
    station = max(float(report.loads.station_mm[left.station_index]), 0.0)
    return (
        f"Fatigue: this pass of {report.time_s:.0f} s uses {100.0 * left.damage:.0f} % of mean "
        f"life at station {station:.1f} mm; {left.mean_s:.0f} s left there at "
        f"{report.speed_rpm:g} rpm ({left.low_s:.0f} to {left.high_s:.0f} s within one standard "
        "deviation of repeated tests; between laboratories it is far more)."
    )


def calibration_table(found: Calibration) -> TextTable:
    """Return what a log says about cutting energy, friction and the motor's reading."""
    energy, friction = found.specific_cutting_energy_j_per_mm3, found.friction_coefficient
    rows = (
        ("specific cutting energy", _value(energy.value, energy.sd), "J/mm³"),
        ("friction coefficient", _value(friction.value, friction.sd), ""),
        ("offset of the reading", format_number(found.offset_ncm, 3), "N·cm"),
        ("drift of the reading", format_number(found.drift_ncm_per_s, 4), "N·cm/s"),
        ("left unexplained, RMS", format_number(found.residual_ncm, 3), "N·cm"),
    )
    return TextTable(
        "Calibration (± one standard deviation)",
        (("quantity", "left"), ("value", "right"), ("unit", "left")),
        rows,
    )


def _value(value: float, sd: float | None) -> str:
    return f"{format_number(value, 3)} ± {format_number(sd, 3)}"


def _share(torque: float, capacity: float) -> str:
    return format_percent(100.0 * torque / capacity) if capacity > 0.0 else MISSING


def _right(*headers: str) -> tuple[tuple[str, str], ...]:
    return tuple((header, "right") for header in headers)
