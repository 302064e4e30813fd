"""Tables of text about a visit, for the terminal."""

from __future__ import annotations

from canalwright.planning.clinical.assessment import Assessment
from canalwright.planning.clinical.visit import CanalSheet, Visit
from canalwright.reports.chairside_data import sheet_data_of
from canalwright.reports.chairside_marks import demand_text, marked_graded
from canalwright.reports.tables import TextTable
from canalwright.reports.text import format_number, named_instrument

__all__ = ["factors_table", "lengths_table", "points_table", "steps_table"]


def lengths_table(visit: Visit) -> TextTable:
    """Return the working lengths of a visit."""
    return TextTable(
        "Working length, mm from the coronal reference",
        (
            ("canal", "left"),
            ("working length", "right"),
            ("reference", "text"),
            ("end of preparation", "text"),
            ("from", "text"),
        ),
        tuple(
            (
                row["canal"],
                f"{row['wl']} {row['spread']}".strip(),
                row["reference"],
                f"{row['policy']}; {row['state']}",
                row["estimates"],
            )
            for row in sheet_data_of(visit)["lengths"]
        ),
    )


def steps_table(sheet: CanalSheet) -> TextTable:
    """Return the steps of one canal."""
    return TextTable(
        f"Canal {sheet.name}, stops in mm from the coronal reference",
        (
            ("no.", "right"),
            ("instrument", "left"),
            ("for", "left"),
            ("stop", "right"),
            ("length", "right"),
            ("rpm", "right"),
            ("limit N·cm", "right"),
            ("needs", "right"),
            ("breaks", "right"),
            ("needle to", "right"),
            ("note", "text"),
        ),
        tuple(
            (
                str(number),
                named_instrument(step.stop.instrument),
                step.planned.purpose,
                format_number(step.stop.stop_mm, 1),
                f"{step.stop.instrument.overall_length_mm:g}",
                marked_graded(step.motor.speed_rpm, 0),
                marked_graded(step.motor.torque_limit_ncm, 1),
                demand_text(step.motor),
                format_number(step.motor.strength_ncm, 2),
                format_number(step.needle.depth_mm, 1),
                ", ".join(
                    part
                    for part in (
                        step.stop.reach.value if step.stop.reach.value != "reaches" else "",
                        step.motor.verdict,
                        "check the length again" if step.recheck else "",
                    )
                    if part
                ),
            )
            for number, step in enumerate(sheet.steps, 1)
        ),
    )


def points_table(visit: Visit) -> TextTable:
    """Return the master points of a visit."""
    return TextTable(
        "Master points",
        (
            ("canal", "left"),
            ("point", "left"),
            ("mark at mm", "right"),
            ("seat", "text"),
            ("tug-back", "text"),
            ("open µL", "right"),
        ),
        tuple(
            (row["canal"], row["cone"], row["mark"], row["seat"], row["tug"], row["sealer"])
            for row in sheet_data_of(visit)["cones"]
        ),
    )


def factors_table(assessment: Assessment) -> TextTable:
    """Return the factors of case difficulty."""
    return TextTable(
        "Case difficulty",
        (("factor", "left"), ("rated", "left"), ("basis", "text"), ("evidence of limits", "left")),
        tuple(
            (
                one.factor.name,
                "not rated" if one.difficulty is None else one.difficulty.word,
                one.basis,
                str(one.factor.evidence),
            )
            for one in assessment.rated
        ),
    )
