"""Letters that stand beside numbers that nobody measured or stated."""

from __future__ import annotations

from typing import Final

from canalwright.evidence import Evidence, Graded
from canalwright.planning.clinical.motor_lines import MotorLine
from canalwright.reports.text import MISSING, format_number

__all__ = ["LEGEND", "demand_text", "marked", "marked_graded", "origin_letter"]

_LETTERS: Final[dict[Evidence, str]] = {
    Evidence.ASSUMED: "a",
    Evidence.COMPUTED: "c",
    Evidence.MEMORY: "m",
    Evidence.PRACTICE: "p",
    Evidence.SECOND_HAND: "s",
}

LEGEND: Final = (
    "(a) assumed · (c) computed by a model · (m) value from memory, check it · (p) common "
    "practice, no source · (s) published, seen second-hand · without a letter: measured, "
    "published or stated by the operator."
)


def origin_letter(evidence: Evidence) -> str:
    """Return the letter of an origin in brackets; empty for measured and stated values."""
    letter = _LETTERS.get(evidence, "")
    return f"({letter})" if letter else ""


def marked(text: str, evidence: Evidence) -> str:
    """Return text with the letter of its origin, kept together."""
    letter = origin_letter(evidence)
    return f"{text}\N{NO-BREAK SPACE}{letter}" if letter and text != MISSING else text


def marked_graded(graded: Graded | None, digits: int) -> str:
    """Return a graded number without unit, marked; a dash where there is none."""
    if graded is None:
        return MISSING
    return marked(format_number(graded.value, digits), graded.evidence)


def demand_text(motor: MotorLine) -> str:
    """Return the torque expected, and what share of the strength it comes to where that is most."""
    share = "" if motor.demand_share is None else f"\N{NO-BREAK SPACE}({motor.demand_share:.0%})"
    return f"{format_number(motor.demand_ncm, 2)}{share}"
