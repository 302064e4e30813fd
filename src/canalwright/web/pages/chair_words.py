"""What stands on the chairside page, in words and large type."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from canalwright.reports.style import ISO_CHIP_COLORS
from canalwright.reports.text import instrument_label
from canalwright.web import html
from canalwright.web.chairside import MadeSheet
from canalwright.web.words import _

if TYPE_CHECKING:
    from canalwright.planning.clinical.visit import VisitStep

__all__ = [
    "after_words",
    "chip_of",
    "fatigue_test_words",
    "length_words",
    "step_list",
    "step_words",
]


def fatigue_test_words() -> str:
    """Return what a fatigue test at the chair is for."""
    return _(
        "With a test of the engine-driven instruments in use, the timer and the choice of the "
        "single instrument, the life that each step takes is estimated station by station. Empty: "
        "nothing is estimated."
    )


def chip_of(step: VisitStep) -> str:
    """Return the color of an instrument's size."""
    return ISO_CHIP_COLORS.get(step.planned.instrument.color, "")


def length_words(made: MadeSheet) -> str:
    """Return the working length, how sure it is, and from where."""
    length = made.canal.length
    sure = "confirmed" if length.confirmed else "estimate, to be confirmed in the tooth"
    spread = "" if length.sd_mm is None else f" ± {length.sd_mm:.1f}"
    where = length.reference or "coronal reference not named"
    return f"Working length {length.working_length_mm:.1f}{spread} mm from {where} ({sure})."


def step_words(made: MadeSheet, at: int) -> str:
    """Return one step in large type: instrument, stop, speed, torque limit, motion."""
    step = made.steps[at]
    instrument, motor = step.planned.instrument, step.motor
    settings = [("stop", f"{step.stop.stop_mm:.1f} mm")]
    if motor.speed_rpm is not None:
        settings.append(("speed", f"{motor.speed_rpm.value:.0f} rpm"))
    if motor.torque_limit_ncm is not None:
        settings.append(("torque limit", f"{motor.torque_limit_ncm.value:.1f} N·cm"))
    settings.append(("motion", str(motor.motion)))
    tiles = "".join(f"<div><span>{name}</span><b>{escape(v)}</b></div>" for name, v in settings)
    verdict = f'<p class="warn-line">{escape(motor.verdict)}</p>' if motor.verdict else ""
    return (
        f'<p class="soft">Step {at + 1} of {len(made.steps)} · {escape(step.planned.purpose)}</p>'
        f'<p class="now-instrument">{html.chip(chip_of(step))}'
        f'{escape(instrument_label(instrument))}</p><div class="tiles">{tiles}</div>{verdict}'
    )


def step_list(made: MadeSheet, now: int) -> str:
    """Return all steps as a list, those done ticked off and the present one marked."""
    items = [
        f"<li{' class=now' if at == now else ''}>"
        f"{'✓ ' if at < now else ''}{html.chip(chip_of(step))}"
        f"{escape(instrument_label(step.planned.instrument))}, stop "
        f"{step.stop.stop_mm:.1f} mm</li>"
        for at, step in enumerate(made.steps)
    ]
    return f'<ol class="step-list">{"".join(items)}</ol>'


def after_words(step: VisitStep) -> str:
    """Return what follows a step: rinsing, recapitulation, checking the length."""
    needle = step.needle
    depth = (
        "the needle does not enter yet"
        if needle.depth_mm is None
        else f"needle to {needle.depth_mm:.1f} mm from the reference, never binding"
    )
    recheck = " Check the working length again." if step.recheck else ""
    return (
        f"<p><b>After it:</b> rinse ({escape(depth)}), recapitulate with a small hand file."
        f"{recheck}</p>"
    )
