"""Gallery figures along the canal: steps of two protocols, before and after, the terminus."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from canalwright.anatomy.canal import Floats
from canalwright.errors import UsageError
from canalwright.geometry.sections import directions_rad, section_area_mm2
from canalwright.planning.simulation import Simulation
from canalwright.planning.single_step import step_after
from canalwright.reports.gallery_frame import GalleryFigure, Look, framed, plain_axes
from canalwright.reports.gallery_scene import GalleryScene
from canalwright.reports.style import INK, MUTED, instrument_style, scale_bar
from canalwright.shaping.shape import Pass, Shape, Step

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["before_after_figure", "largest_step", "steps_figure", "terminus_figure"]

_LEVELS_MM: Final = (1.0, 3.0, 6.0)
_CLOSE_UP_MM: Final = (-1.4, 3.0)
_DENTIN: Final = "#efe3c2"
_BEFORE: Final = "#ffffff"
_CUT: Final = "#f2b98a"


def largest_step(one: Simulation) -> tuple[int, Step]:
    """Return number (from 1) and step with the largest step in percent of a sequence."""
    steps = [planned.step for planned in one.plan.steps]
    at = max(range(len(steps)), key=lambda i: float(steps[i].step_percent.max()))
    return at + 1, steps[at]


def steps_figure(scene: GalleryScene, look: Look, captioned: bool = True) -> GalleryFigure:
    """Draw the step at every level for two protocols, side by side."""
    compared = scene.concentric[:2]
    numbers: dict[str, float] = {}
    said = []
    for name, one in compared:
        number, worst = largest_step(one)
        level = float(worst.level_mm[worst.worst])
        numbers |= {f"{name} step": float(worst.step_percent.max()), f"{name} level": level}
        said.append(
            f"{name} ({one.summary.passes} passes) at most {numbers[f'{name} step']:.0f} % at "
            f"level {level:.1f} mm, in pass {number} ({worst.made.instrument.id})"
        )
    limit = scene.concentric[0][1].limits.step_percent
    caption = (
        f"Step: how far a file exceeds the canal it enters, per level. {'; '.join(said)}. Dashed: "
        f"the step limit of planning for engine-driven files, {limit.value:g} % "
        f"({limit.evidence}). Concentric passes."
    )
    title = "Step by level, two protocols"
    most = max(numbers[f"{name} step"] for name, _ in compared)
    with framed(look, title, caption, invented=scene.invented, captioned=captioned) as frame:
        for place, (name, one) in enumerate(compared):
            axes = frame.axes((0.53 * place, 0.05, 0.47, 0.95))
            plain_axes(axes, look)
            _draw_steps(axes, one, look)
            axes.axvline(limit.value, color=INK, lw=0.9, ls=(0, (4, 2)))
            axes.set_xlim(0.0, 1.6 * max(most, 3.5 * limit.value))
            axes.set_ylim(0.0, scene.canal.length_mm)
            axes.set_xlabel("step, %")
            axes.set_title(f"Protocol {name}", fontsize=look.body_pt, fontweight="bold", pad=3)
            if place == 0:
                axes.set_ylabel("level, mm from the terminus")
            else:
                axes.tick_params(labelleft=False)
    return GalleryFigure("steps", title, frame.figure, caption, numbers)


def _draw_steps(axes: Axes, one: Simulation, look: Look) -> None:
    for index, planned in enumerate(one.plan.steps):
        style = instrument_style(index) | {"linewidth": look.line_pt}
        value = np.where(planned.step.engaged, planned.step.step_percent, np.nan)
        loose = "" if planned.step.engaged.any() else ", loose"
        label = f"{index + 1}  {planned.instrument.id}{loose}"
        axes.plot(value, planned.step.level_mm, label=label, **style)
    axes.legend(
        frameon=True,
        framealpha=0.9,
        edgecolor="none",
        fontsize=look.body_pt,
        loc="upper right",
        handlelength=2.2,
    )


def before_after_figure(scene: GalleryScene, look: Look, captioned: bool = True) -> GalleryFigure:
    """Draw the canal before and after a sequence at three levels.

    Raises
    ------
    UsageError
        If the canal is shorter than the lowest of them.
    """
    one = scene.led
    done = one.off_center[-1]
    levels = [level for level in _LEVELS_MM if level < scene.canal.length_mm]
    if not levels:
        raise UsageError(f"The canal is only {scene.canal.length_mm:.1f} mm long.")
    before, after = Shape.of(scene.canal), done.after
    numbers: dict[str, float] = {}
    said = []
    for level in levels:
        at = int(np.argmin(np.abs(after.level_mm - level)))
        numbers |= {
            f"before {level:g}": float(section_area_mm2(before.radius_mm)[at]),
            f"after {level:g}": float(after.area_mm2[at]),
            f"transport {level:g}": float(np.nan_to_num(done.transportation_mm)[at]),
        }
        said.append(
            f"at {level:g} mm {numbers[f'before {level:g}']:.3f} to "
            f"{numbers[f'after {level:g}']:.3f} mm², moved "
            f"{1000 * numbers[f'transport {level:g}']:+.0f} µm".replace("-", "−")
        )
    ids = ", ".join(planned.instrument.id for planned in one.plan.steps)
    caption = (
        f"Sections of {scene.canal.name} before (white) and after (orange) {ids}: "
        f"{'; '.join(said)} (+ outer side of the curve, gambill1996). Instruments lie where the "
        "rod model places them; the wear rate behind transportation is assumed, which wall is "
        "thinned is not. Right is the outer side."
    )
    title = "Before and after at three levels"
    with framed(look, title, caption, invented=scene.invented, captioned=captioned) as frame:
        wide = 1.0 / len(levels)
        for place, level in enumerate(levels):
            axes = frame.axes((wide * place, 0.0, wide * 0.96, 1.06))
            at = int(np.argmin(np.abs(after.level_mm - level)))
            _draw_section(axes, before, after, at, done.axis.outward[at], look)
            axes.set_title(f"level {level:g} mm", fontsize=look.body_pt, fontweight="bold", pad=3)
    return GalleryFigure("before-after", title, frame.figure, caption, numbers)


def _draw_section(
    axes: Axes, before: Shape, after: Shape, at: int, outward: Floats, look: Look
) -> None:
    turn = np.arctan2(outward[1], outward[0])
    theta = directions_rad(before.radius_mm.shape[1]) - turn
    theta = np.append(theta, theta[0])

    def outline(radius: Floats) -> tuple[Floats, Floats]:
        closed = np.append(radius, radius[0])
        return closed * np.cos(theta), closed * np.sin(theta)

    outer = before.outer_radius_mm[at]
    # Where the outer surface is known in part only, its known part is a line.
    if np.isnan(outer).any():
        axes.plot(*outline(outer), color=MUTED, lw=0.8)
    else:
        axes.fill(*outline(outer), color=_DENTIN, ec=MUTED, lw=0.8)
    axes.fill(*outline(after.radius_mm[at]), color=_CUT, ec=INK, lw=0.7 * look.line_pt)
    axes.fill(*outline(before.radius_mm[at]), color=_BEFORE, ec=INK, lw=0.9, ls=(0, (3, 1.5)))
    reach = 1.7 * max(float(after.radius_mm[at].max()), 0.2)
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-reach, reach)
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.set_clip_on(True)
    scale_bar(axes, -0.95 * reach, -0.93 * reach, 0.2, color="black")


def terminus_figure(scene: GalleryScene, look: Look, captioned: bool = True) -> GalleryFigure:
    """Draw the last millimeters with the patency file and the next instrument.

    Raises
    ------
    UsageError
        If the scene has no patency file.
    """
    patency = scene.patency
    if patency is None:
        raise UsageError("The close-up of the terminus shows a patency file; name it.")
    following = _following(scene, patency)
    without, _ = step_after(scene.canal, following)
    with_it, _ = step_after(scene.canal, following, patency=patency)
    numbers = {
        "patency at terminus": float(patency.diameter_mm(np.zeros(1))[0]),
        "next at terminus": float(following.diameter_mm(np.zeros(1))[0]),
        "step without": float(without.step_percent[0]),
        "step with": float(with_it.step_percent[0]),
    }
    instead = (
        f" instead of {numbers['step without']:.0f} % against the untouched canal"
        if numbers["step without"] > numbers["step with"] + 0.5
        else ", as without it: the canal is wider there than what the file leaves"
    )
    caption = (
        f"{patency.instrument.id} taken {-patency.tip_level_mm:g} mm past the terminus "
        f"(jafarzadeh2017) and worked until loose ({patency.loose_mm:g} mm, common practice, no "
        f"source) leaves {numbers['patency at terminus']:.2f} mm there. {following.instrument.id} "
        f"({numbers['next at terminus']:.2f} mm at the terminus) then steps by "
        f"{numbers['step with']:.0f} %{instead}. Widths are drawn larger than lengths."
    )
    title = "Terminus with patency"
    with framed(look, title, caption, invented=scene.invented, captioned=captioned) as frame:
        axes = frame.axes()
        plain_axes(axes, look)
        axes.grid(visible=False)
        _draw_terminus(axes, scene, patency, following, look)
        axes.set_xlabel("level, mm from the terminus")
        axes.set_ylabel("half width, mm")
    return GalleryFigure("terminus", title, frame.figure, caption, numbers)


def _following(scene: GalleryScene, patency: Pass) -> Pass:
    """Return the first pass that is larger at the terminus than what the patency file left."""
    zero = np.zeros(1)
    left = max(float(patency.diameter_mm(zero)[0]), float(Shape.of(scene.canal).inscribed_mm[0]))
    passes = scene.sequences[0][1]
    larger = (made for made in passes if float(made.diameter_mm(zero)[0]) > left + 1e-9)
    return next(larger, passes[-1])


def _draw_terminus(
    axes: Axes, scene: GalleryScene, patency: Pass, following: Pass, look: Look
) -> None:
    low, high = _CLOSE_UP_MM
    level = np.linspace(0.0, high, 120)
    half = np.interp(level, scene.canal.level_mm, Shape.of(scene.canal).inscribed_mm) / 2.0
    beyond = np.linspace(low, high, 400)
    top = 2.2 * max(float(half.max()), float(following.diameter_mm(beyond).max()) / 2.0)
    axes.axvspan(0.0, high, color=_DENTIN, lw=0)
    axes.fill_between(level, -half, half, color=_BEFORE, lw=0)
    for sign in (1, -1):
        label = "canal as measured" if sign > 0 else None
        axes.plot(level, sign * half, color=INK, lw=0.7 * look.line_pt, label=label)
    for index, (made, words) in enumerate(
        ((patency, "patency file, worked until loose"), (following, "next instrument"))
    ):
        inside = beyond >= made.tip_level_mm
        at = np.concatenate([beyond[inside][:1], beyond[inside]])
        wide = np.concatenate([[0.0], made.diameter_mm(beyond[inside]) / 2.0])
        style = instrument_style(index) | {"linewidth": look.line_pt}
        name = f"{made.instrument.id}, {words}"
        axes.plot(at, wide, label=name, **style)
        axes.plot(at, -wide, **style)
    axes.axvline(0.0, color=MUTED, lw=0.9, ls=(0, (2, 2)))
    axes.annotate(
        "terminus",
        (0.0, -top),
        xytext=(-4, 5),
        textcoords="offset points",
        ha="right",
        color=MUTED,
        fontsize=look.body_pt,
    )
    axes.set_xlim(low, high)
    axes.set_ylim(-top, top)
    axes.legend(frameon=False, fontsize=look.body_pt, loc="upper right", handlelength=2.8)
