"""The single tracks: each draws one quantity over the levels into axes that share them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright.anatomy.canal import Floats
from canalwright.geometry.sections import directions_rad
from canalwright.instruments.instrument import Kind
from canalwright.mechanics.fatigue import STRAIN_VALIDITY
from canalwright.reports.style import BODY_PT, INK, LIMIT_COLOR, MUTED, number_badge
from canalwright.reports.text import evidence_mark
from canalwright.reports.track_scene import DENTIN_CAUTIONS, DrawnPass, TrackScene
from canalwright.shaping.shape import Shape

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "draw_curvature",
    "draw_dentin",
    "draw_diameters",
    "draw_engagement",
    "draw_image",
    "draw_silhouette",
    "draw_steps",
    "draw_strain",
]

WALL_COLOR: Final = "#ffd23f"
FINAL_COLOR: Final = "#5bd1ff"
_BAND: Final = "#d9d9d9"


def draw_image(axes: Axes, scene: TrackScene) -> None:
    """Draw the straightened image with the wall as measured and as it will be."""
    straight = scene.straightened
    if straight is None:
        raise ValueError("the scene has no straightened image; draw the silhouette instead")
    across, level = straight.across_mm, straight.level_mm
    image = np.ma.masked_invalid(np.asarray(straight.image, float))
    low, high = np.percentile(image.compressed(), (0.5, 99.5)) if image.count() else (0.0, 1.0)
    axes.imshow(
        image,
        origin="lower",
        extent=(*_pixel_edges(across), *_pixel_edges(level)),
        aspect="auto",
        cmap="gray",
        vmin=low,
        vmax=high,
        interpolation="bilinear",
        zorder=1,
    )
    _outline(axes, Shape.of(scene.canal), straight.rotation_deg, WALL_COLOR, "solid")
    if scene.passes:
        _outline(axes, scene.final, straight.rotation_deg, FINAL_COLOR, (0, (4, 1.6)))
    reach = 1.25 * float(max(scene.canal.wide_mm.max(), scene.final.radius_mm.max() * 2.0))
    left, right = _pixel_edges(across)
    axes.set_xlim(max(left, -max(reach, 1.0)), min(right, max(reach, 1.0)))


def draw_silhouette(axes: Axes, scene: TrackScene) -> None:
    """Draw the measured widths as a silhouette where no image is at hand."""
    canal, level = scene.canal, scene.level_mm
    axes.fill_betweenx(level, -canal.wide_mm / 2, canal.wide_mm / 2, color=_BAND, lw=0, zorder=2)
    axes.fill_betweenx(
        level, -canal.narrow_mm / 2, canal.narrow_mm / 2, color="#8c8c8c", lw=0, zorder=3
    )
    for sign in (-1.0, 1.0) if scene.passes else ():
        axes.plot(sign * scene.final.inscribed_mm / 2, level, color=INK, lw=1.2, ls=(0, (4, 1.6)))
    reach = 0.65 * float(max(canal.wide_mm.max(), scene.final.inscribed_mm.max()))
    axes.set_xlim(-reach, reach)


def draw_diameters(axes: Axes, scene: TrackScene) -> None:
    """Draw the canal with its spread, every instrument, the target and the canal after."""
    canal, level = scene.canal, scene.level_mm
    axes.fill_betweenx(level, canal.narrow_mm, canal.wide_mm, color="#ececec", lw=0, zorder=1.2)
    axes.fill_betweenx(
        level,
        canal.diameter_mm - canal.diameter_sd_mm,
        canal.diameter_mm + canal.diameter_sd_mm,
        color="#b5b5b5",
        lw=0,
        zorder=1.4,
    )
    axes.plot(canal.diameter_mm, level, color=INK, lw=1.0, zorder=3)
    if scene.passes:
        axes.plot(scene.final.inscribed_mm, level, color="#9fb8c8", lw=4.2, zorder=2)
    _draw_target(axes, scene)
    for number, drawn in enumerate(scene.passes):
        _draw_instrument(axes, drawn, scene, number)
    widest = max([canal.wide_mm.max(), *(p.step.instrument_mm.max() for p in scene.passes)])
    axes.set_xlim(0.0, 1.06 * float(widest))


def draw_steps(axes: Axes, scene: TrackScene) -> None:
    """Draw how far each instrument exceeds the canal it meets, in percent, and the limit."""
    largest = 10.0
    badges = _Badges(axes, scene)
    for drawn in scene.passes:
        step = drawn.step
        percent = _where(step.step_percent, step.engaged)
        axes.plot(percent, step.level_mm, zorder=4, **drawn.style)
        peak = int(np.argmax(step.step_percent))
        largest = max(largest, float(step.step_percent[peak]))
        if step.engaged.any():
            badges.put(drawn, percent, step.level_mm, float(step.level_mm[peak]))
    for value, text in _step_limits(scene):
        largest = max(largest, value)
        _limit_line(axes, value, text, scene, upper=True)
    axes.set_xlim(0.0, 1.14 * largest)


def draw_dentin(axes: Axes, scene: TrackScene) -> None:
    """Draw the thinnest dentin before and after, and the thicknesses the trade cautions at."""
    before, after, level = scene.start.dentin_min_mm, scene.final.dentin_min_mm, scene.level_mm
    if not np.any(np.isfinite(before)):
        _say(axes, "root surface\nnot in the image")
        axes.set_xlim(0.0, 1.9)
        return
    axes.plot(before, level, color=MUTED, lw=1.0, zorder=4)
    if scene.passes:
        axes.fill_betweenx(level, after, before, color="#e3d3bd", lw=0, zorder=2)
        axes.plot(after, level, color=INK, lw=1.9, zorder=5)
    for graded, why in DENTIN_CAUTIONS:
        mark = evidence_mark(graded.evidence)
        text = f"{graded.value:g} {why}, {mark}"
        _limit_line(axes, graded.value, text, scene, upper=True, dash=(0, (1.2, 1.6)))
    if scene.limits is not None:
        limit = scene.limits.dentin_left_mm
        text = f"limit {limit.value:g}, {limit.evidence}"
        _limit_line(axes, limit.value, text, scene, upper=False)
    axes.set_xlim(0.0, 1.08 * max(1.35, float(np.nanmax(before))))


def draw_strain(axes: Axes, scene: TrackScene) -> None:
    """Draw the curvature of the canal as a gray shape and the strain bounds as lines."""
    _draw_curvature_behind(axes, scene)
    largest, badges = 0.5, _Badges(axes, scene)
    for drawn in scene.passes:
        if drawn.loads is None:
            continue
        loads = drawn.loads
        percent = _where(100.0 * loads.strain, loads.station_mm >= -1e-9)
        axes.plot(percent, loads.level_mm, zorder=4, **drawn.style)
        largest = max(largest, 100.0 * loads.peak_strain)
        badges.put(drawn, percent, loads.level_mm, loads.peak_strain_level_mm)
    edge = 100.0 * STRAIN_VALIDITY.high
    if largest > 0.7 * edge:
        _limit_line(axes, edge, f"{edge:g} % end of model", scene, upper=True)
        largest = max(largest, edge)
    axes.set_xlim(0.0, 1.18 * largest)


def draw_curvature(axes: Axes, scene: TrackScene) -> None:
    """Draw the curvature of the canal's axis as a gray shape."""
    curvature = scene.curvature_per_mm
    if curvature is None:
        return
    axes.fill_betweenx(scene.level_mm, 0.0, curvature, color="#dcdcdc", lw=0)
    axes.set_xlim(0.0, 1.6 * max(float(np.nanmax(curvature)), 0.05))


def draw_engagement(axes: Axes, scene: TrackScene) -> None:
    """Draw where each instrument reaches (line) and where it cuts (bar, wide as its share)."""
    for column, drawn in enumerate(scene.passes):
        step = drawn.step
        top = min(drawn.tip_level_mm + drawn.instrument.cutting_length_mm, scene.canal.length_mm)
        axes.plot([column, column], [drawn.tip_level_mm, top], color=MUTED, lw=0.8, zorder=3)
        axes.plot([column], [drawn.tip_level_mm], marker="v", ms=3.5, color=MUTED, zorder=5)
        half = np.where(step.engaged, 0.10 + 0.32 * step.engaged_share, 0.0)
        axes.fill_betweenx(
            step.level_mm,
            column - half,
            column + half,
            where=list(step.engaged),
            color=drawn.color,
            lw=0,
            zorder=4,
        )
    axes.set_xlim(-0.6, max(len(scene.passes), 1) - 0.4)


class _Badges:
    """Puts numbers on lines, each at the free level nearest to the one that is wanted."""

    def __init__(self, axes: Axes, scene: TrackScene, apart_mm: float = 0.55) -> None:
        self._axes, self._scene, self._apart = axes, scene, apart_mm
        self._taken: list[float] = []

    def put(self, drawn: DrawnPass, values: Floats, level_mm: Floats, wanted_mm: float) -> None:
        """Mark the line `values` over `level_mm`; levels where it is not drawn are NaN."""
        shown = np.isfinite(values)
        free = [level for level in self._tries(level_mm[shown]) if self._is_free(level)]
        at = min(free, key=lambda level: abs(level - wanted_mm)) if free else wanted_mm
        self._taken.append(at)
        value = float(np.interp(at, level_mm[shown], values[shown]))
        number_badge(self._axes, value, at, drawn.number, drawn.color)

    def _tries(self, level_mm: Floats) -> list[float]:
        inside = level_mm[(level_mm >= 0.0) & (level_mm <= self._scene.canal.length_mm)]
        return [float(level) for level in inside]

    def _is_free(self, level_mm: float) -> bool:
        return all(abs(level_mm - taken) >= self._apart - 1e-9 for taken in self._taken)


def _step_limits(scene: TrackScene) -> list[tuple[float, str]]:
    """Return the limits of the driven kinds in use, as one line where they agree."""
    if scene.limits is None:
        return []
    by_kind = {
        Kind.ENGINE: scene.limits.step_percent.value,
        Kind.HAND: scene.limits.hand_step_percent.value,
    }
    cutting = [drawn for drawn in scene.passes if drawn.step.engaged.any()]
    kinds = dict.fromkeys(drawn.instrument.kind for drawn in cutting)
    values = {kind: by_kind[kind] for kind in kinds}
    if len(set(values.values())) == 1:
        return [(value, f"limit {value:g} %") for value in set(values.values())]
    return [(value, f"limit {value:g} %, {kind.value}") for kind, value in values.items()]


def _draw_target(axes: Axes, scene: TrackScene) -> None:
    if scene.target is None:
        return
    wanted = scene.target.diameter_mm(scene.level_mm)
    axes.plot(
        _where(wanted, wanted > 0.0), scene.level_mm, color=INK, lw=1.3, ls=(0, (2, 1)), zorder=6
    )


def _draw_instrument(axes: Axes, drawn: DrawnPass, scene: TrackScene, index: int) -> None:
    low = min(drawn.tip_level_mm, 0.0)
    level = np.concatenate([np.linspace(low, 0.0, 11)[:-1], scene.level_mm])
    diameter = drawn.step.made.diameter_mm(level)
    inside = diameter > 0.0
    axes.plot(_where(diameter, inside), level, zorder=5, **drawn.style)
    reached = level[inside]
    if reached.size:
        share = 0.92 - 0.085 * (index % 10)
        at = float(np.interp(share, (0.0, 1.0), (reached[0], reached[-1])))
        number_badge(axes, float(np.interp(at, level, diameter)), at, drawn.number, drawn.color)


def _draw_curvature_behind(axes: Axes, scene: TrackScene) -> None:
    if scene.curvature_per_mm is None:
        return
    twin = axes.twiny()
    twin.set_gid("curvature")
    twin.set_zorder(axes.get_zorder() - 1)
    axes.patch.set_visible(False)
    draw_curvature(twin, scene)
    twin.xaxis.set_ticks_position("bottom")
    twin.xaxis.set_label_position("bottom")
    twin.locator_params(axis="x", nbins=3)
    twin.tick_params(labelsize=BODY_PT, length=2.5, pad=1.5)
    twin.set_xlabel("curvature, 1/mm", fontsize=BODY_PT, labelpad=1.0)


def _limit_line(
    axes: Axes, value: float, text: str, scene: TrackScene, *, upper: bool, dash: Any = "dashed"
) -> None:
    axes.plot(
        [value, value], [0.0, scene.canal.length_mm], color=LIMIT_COLOR, lw=1.1, ls=dash, zorder=3
    )
    axes.annotate(
        text,
        (value, scene.canal.length_mm - 0.15 if upper else 0.15),
        xytext=(-1.0, 0.0),
        textcoords="offset points",
        rotation=90,
        ha="right",
        va="top" if upper else "bottom",
        fontsize=BODY_PT,
        color=LIMIT_COLOR,
        zorder=7,
        bbox={"boxstyle": "square,pad=0.05", "fc": "white", "ec": "none", "alpha": 0.8},
    )


def _outline(axes: Axes, shape: Shape, rotation_deg: float, color: str, dash: Any) -> None:
    from matplotlib.patheffects import withStroke

    for side, turn in ((1.0, 0.0), (-1.0, np.pi)):
        radius = _radius_toward_mm(shape, np.deg2rad(rotation_deg) + turn)
        axes.plot(
            side * radius,
            shape.level_mm,
            color=color,
            lw=1.1,
            ls=dash,
            zorder=4,
            path_effects=[withStroke(linewidth=2.2, foreground="black", alpha=0.75)],
        )


def _radius_toward_mm(shape: Shape, angle_rad: float) -> Floats:
    """Return the wall's distance in one direction, between stored directions linearly."""
    angles = directions_rad(shape.radius_mm.shape[1])
    period = 2.0 * np.pi
    return np.asarray(
        [np.interp(angle_rad % period, angles, row, period=period) for row in shape.radius_mm]
    )


def _pixel_edges(centers: Floats) -> tuple[float, float]:
    half = (centers[-1] - centers[0]) / (2.0 * (len(centers) - 1))
    return float(centers[0] - half), float(centers[-1] + half)


def _where(values: Floats, shown: Any) -> Floats:
    return np.where(shown, values, np.nan)


def _say(axes: Axes, text: str) -> None:
    axes.text(
        0.5,
        0.5,
        text,
        transform=axes.transAxes,
        ha="center",
        va="center",
        rotation=90,
        fontsize=BODY_PT,
        color=MUTED,
    )
