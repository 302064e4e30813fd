"""What stands on the chairside page, in words and large type."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from canalwright.reports.style import ISO_CHIP_COLORS
from canalwright.reports.text import instrument_label
from canalwright.web import html
from canalwright.web.chairside import MadeSheet
from canalwright.web.words import _, many

if TYPE_CHECKING:
    from canalwright.planning.clinical.visit import VisitStep

__all__ = [
    "after_words",
    "chip_of",
    "fatigue_test_words",
    "last_words",
    "length_words",
    "step_list",
    "step_words",
    "steps_words",
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
    sure = _("confirmed") if length.confirmed else _("estimate, to be confirmed in the tooth")
    spread = "" if length.sd_mm is None else f" ± {length.sd_mm:.1f}"
    where = length.reference or _("coronal reference not named")
    return _("Working length {working_length_mm:.1f}{spread} mm from {where} ({sure}).").format(
        working_length_mm=length.working_length_mm, spread=spread, where=where, sure=sure
    )


def step_words(made: MadeSheet, at: int) -> str:
    """Return one step in large type: instrument, stop, speed, torque limit, motion."""
    step = made.steps[at]
    instrument, motor = step.planned.instrument, step.motor
    settings = [(_("stop"), f"{step.stop.stop_mm:.1f} mm")]
    if motor.speed_rpm is not None:
        settings.append((_("speed"), f"{motor.speed_rpm.value:.0f} rpm"))
    if motor.torque_limit_ncm is not None:
        settings.append((_("torque limit"), f"{motor.torque_limit_ncm.value:.1f} N·cm"))
    settings.append((_("motion"), str(motor.motion)))
    tiles = "".join(
        f"<div><span>{escape(name)}</span><b>{escape(v)}</b></div>" for name, v in settings
    )
    verdict = f'<p class="warn-line">{escape(motor.verdict)}</p>' if motor.verdict else ""
    where = _("Step {step} of {steps}").format(step=at + 1, steps=len(made.steps))
    return (
        f'<p class="soft">{escape(where)} · {escape(step.planned.purpose)}</p>'
        f'<p class="now-instrument">{html.chip(chip_of(step))}'
        f'{escape(instrument_label(instrument))}</p><div class="tiles">{tiles}</div>{verdict}'
    )


def steps_words(made: MadeSheet) -> str:
    """Return the canal and how many steps its plan has."""
    told = many("{count} step", "{count} steps", len(made.steps))
    return f"{made.canal.name}: {told}"


def step_list(made: MadeSheet, now: int) -> str:
    """Return all steps as a list, those done ticked off and the present one marked."""
    items = [
        f"<li{' class=now' if at == now else ''}>"
        f"{'✓ ' if at < now else ''}{html.chip(chip_of(step))}"
        f"{escape(instrument_label(step.planned.instrument))}, "
        f"{escape(_('stop'))} {step.stop.stop_mm:.1f} mm</li>"
        for at, step in enumerate(made.steps)
    ]
    return f'<ol class="step-list">{"".join(items)}</ol>'


def after_words(step: VisitStep) -> str:
    """Return what follows a step: rinsing, recapitulation, checking the length."""
    needle = step.needle
    depth = (
        _("the needle does not enter yet")
        if needle.depth_mm is None
        else _("needle to {depth_mm:.1f} mm from the reference, never binding").format(
            depth_mm=needle.depth_mm
        )
    )
    recheck = _(" Check the working length again.") if step.recheck else ""
    return _(
        "<p><b>After it:</b> rinse ({depth}), recapitulate with a small hand file.{recheck}</p>"
    ).format(depth=escape(depth), recheck=recheck)


def last_words(made: MadeSheet) -> str:
    """Return what follows the last step."""
    cone = made.canal.obturation.chosen.cone
    return _(
        "<h2>All {steps} steps are done</h2><p>Gauge the terminus, rinse as planned, and fit the "
        "point: size {size}, taper {taper:.2f} mm/mm is the first candidate; the sheet has its "
        "seat and the others.</p>"
    ).format(steps=len(made.steps), size=cone.size, taper=cone.taper_mm_per_mm)
