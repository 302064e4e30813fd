"""Radiographs of one tooth from different horizontal angles, combined into a line in space.

Assumed: parallel beams, pictures upright along the tooth, and a turn about the tooth's upright
axis only. Turned by the angle a, a point at x to the right and z away from the viewer appears at
``x cos a + z sin a``, at the same height. So two views give x and z at every height, and what
lies farther from the viewer moves the same way as the tube (the rule "same lingual, opposite
buccal"; common practice, no source).

The pictures are laid over each other by height: terminus on terminus, orifice on orifice.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution, merged
from canalwright.errors import NotACanal, OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.geometry.points import polyline_levels_mm
from canalwright.imaging.rulers import CLICK_SD_PX
from canalwright.imaging.tracing import TracedCanal
from canalwright.imaging.tracing_cautions import PROJECTION

__all__ = ["ANGLE_SD_DEG", "LEAST_ANGLE_DEG", "View", "combined_views"]

Floats = NDArray[np.float64]

LEAST_ANGLE_DEG: Final = 5.0
"""Below it an error of the traces comes out more than elevenfold in depth."""

ANGLE_SD_DEG: Final = Graded(
    2.0, "°", Evidence.ASSUMED, note="how well the angle between two exposures is known"
)

_LARGEST_ANGLE_DEG: Final = 90.0
_MOST_VIEWS: Final = 3
_HEIGHT_CAUTION_SHARE: Final = 0.04
_HEIGHT_LIMIT_SHARE: Final = 0.15
_BACK_MM: Final = 0.02
_DISAGREE_SD: Final = 3.0


@dataclass(frozen=True, eq=False, slots=True)
class View:
    """A canal as traced in one radiograph.

    Attributes
    ----------
    canal : TracedCanal
    angle_deg : float
        By how much the tube was turned about the tooth against the first view, positive toward
        the right of the first picture.
    """

    canal: TracedCanal
    angle_deg: float


@dataclass(frozen=True, eq=False)
class _Heights:
    """Places across the picture at common shares of the height, terminus first, in mm."""

    share: Floats
    height_mm: float
    across_mm: Floats
    slope: Floats


def combined_views(
    name: str, views: Sequence[View], *, angle_sd_deg: float = ANGLE_SD_DEG.value
) -> TracedCanal:
    """Combine two or three views into a canal in space.

    Parameters
    ----------
    name : str
    views : sequence of View
        The first one has the angle 0; its picture, points and widths are kept.
    angle_sd_deg : float
        Standard deviation of the angles.

    Returns
    -------
    TracedCanal
        With the standard deviation of its depth, relative to the terminus, from clicks and
        angles.

    Raises
    ------
    OutOfRange
        If two views are less than 5° or more than 90° apart, or there are not two or three.
    NotACanal
        If the views cannot be laid over each other: heights that differ by more than 15 %, or a
        canal that runs back toward the crown.
    """
    _require_angles(views)
    heights = [_heights(name, view.canal, views[0].canal) for view in views]
    _require_alike(name, heights)
    angles = np.array([view.angle_deg for view in views])
    place = _solved(heights, angles)
    sd_u = np.stack([_sd_across(v.canal, h) for v, h in zip(views, heights, strict=True)])
    depth_sd = _depth_sd(heights, angles, sd_u, place, angle_sd_deg)
    canal = _assembled(name, views, heights, place, depth_sd)
    return canal.with_cautions(*_cautions(heights, angles, place, sd_u))


def _require_angles(views: Sequence[View]) -> None:
    if not 2 <= len(views) <= _MOST_VIEWS:
        raise OutOfRange(
            name="number of views", got=len(views), unit="", allowed=(2.0, float(_MOST_VIEWS))
        )
    for at, view in enumerate(views):
        for other in views[:at]:
            apart = abs(view.angle_deg - other.angle_deg)
            if not LEAST_ANGLE_DEG <= apart <= _LARGEST_ANGLE_DEG:
                raise OutOfRange(
                    name="angle between two views",
                    got=apart,
                    unit="°",
                    allowed=(LEAST_ANGLE_DEG, _LARGEST_ANGLE_DEG),
                    hint="Smaller angles say nothing about depth.",
                )


def _heights(name: str, canal: TracedCanal, first: TracedCanal) -> _Heights:
    """Lay one trace over the shares of height of the first one."""
    share, across, height = _by_share(name, canal)
    wanted, *_ = _by_share(name, first)
    at = np.interp(wanted, share, across)
    return _Heights(wanted, height, at, np.gradient(at, wanted * height))


def _by_share(name: str, canal: TracedCanal) -> tuple[Floats, Floats, float]:
    x, y = canal.centerline_mm[:, 0], canal.centerline_mm[:, 1]
    total = float(y[-1] - y[0])
    rise = (y - y[0]) * np.sign(total)
    if np.any(np.diff(rise) < -_BACK_MM):
        raise NotACanal(
            name=name,
            problem=(
                f"its trace in {canal.provenance.source} runs back toward the crown, so levels "
                "cannot be matched by height"
            ),
        )
    climbing = np.maximum.accumulate(rise + 1e-9 * np.arange(len(rise)))
    share = (climbing - climbing[0]) / (climbing[-1] - climbing[0])
    return share, x - x[0], abs(total)


def _require_alike(name: str, heights: Sequence[_Heights]) -> None:
    off = _height_difference_share(heights)
    if off > _HEIGHT_LIMIT_SHARE:
        listed = ", ".join(f"{h.height_mm:.2f}" for h in heights)
        raise NotACanal(
            name=name,
            problem=(
                f"its views differ too much in height ({listed} mm from terminus to orifice) to "
                "show one tooth at one magnification"
            ),
            hint="Check the points and the scale of each picture.",
        )


def _height_difference_share(heights: Sequence[_Heights]) -> float:
    each = [h.height_mm for h in heights]
    return max(each) / min(each) - 1.0


def _solved(heights: Sequence[_Heights], angles_deg: Floats) -> Floats:
    """Return x and z at every height by least squares over the views, shape (2, n)."""
    across = np.stack([h.across_mm for h in heights])
    return np.asarray(np.linalg.pinv(_directions(angles_deg)) @ across, float)


def _directions(angles_deg: Floats) -> Floats:
    angle = np.radians(angles_deg)
    return np.column_stack([np.cos(angle), np.sin(angle)])


def _sd_across(canal: TracedCanal, heights: _Heights) -> Floats:
    """Return the error across the picture relative to the terminus, and by height on a slope."""
    scale = canal.ruler.scale_mm_per_px or 0.0
    click = np.sqrt(2.0) * CLICK_SD_PX.value * scale
    by_scale = canal.ruler.sd_share * np.abs(heights.across_mm)
    return np.asarray(np.hypot(click * np.hypot(1.0, heights.slope), by_scale), float)


def _depth_sd(
    heights: Sequence[_Heights], angles_deg: Floats, sd_u: Floats, place: Floats, angle_sd: float
) -> Floats:
    gains = np.linalg.pinv(_directions(angles_deg))[1]
    variance = np.sum((gains[:, None] * sd_u) ** 2, axis=0)
    for at in range(1, len(angles_deg)):
        turned = angles_deg.copy()
        turned[at] += angle_sd
        variance += (_solved(heights, turned)[1] - place[1]) ** 2
    return np.asarray(np.sqrt(variance), float)


def _assembled(
    name: str,
    views: Sequence[View],
    heights: Sequence[_Heights],
    place: Floats,
    depth_sd: Floats,
) -> TracedCanal:
    first = views[0].canal
    mean_height = float(np.mean([h.height_mm for h in heights]))
    origin = first.centerline_mm[0]
    down = np.sign(first.centerline_mm[-1, 1] - origin[1])
    points = np.column_stack(
        [origin[0] + place[0], origin[1] + down * mean_height * heights[0].share, place[1]]
    )
    level = polyline_levels_mm(points)
    steepness = np.abs(np.gradient(points[:, 2], level))
    by_depth = float(np.mean(steepness) * depth_sd[-1])
    kept = tuple(c for view in views for c in view.canal.cautions if c != PROJECTION)
    return replace(
        first,
        name=name,
        level_mm=level,
        centerline_mm=points,
        stretches=tuple(
            replace(
                s,
                start_level_mm=float(np.interp(s.start_level_mm, first.level_mm, level)),
                end_level_mm=float(np.interp(s.end_level_mm, first.level_mm, level)),
            )
            for s in first.stretches
        ),
        length_sd_mm=float(np.hypot(first.length_sd_mm, by_depth)),
        depth_sd_mm=depth_sd,
        view_angles_deg=tuple(view.angle_deg for view in views),
        provenance=replace(
            first.provenance,
            source="; ".join(view.canal.provenance.source for view in views),
            digest=first.provenance.digest,
            methods=(*first.provenance.methods, "views.parallel_by_height"),
            invented=any(view.canal.provenance.invented for view in views),
        ),
        cautions=merged(kept),
    )


def _cautions(
    heights: Sequence[_Heights], angles_deg: Floats, place: Floats, sd_u: Floats
) -> Iterator[Caution]:
    listed = ", ".join(f"{angle:g}°" for angle in angles_deg)
    yield Caution(
        "DEPTH_FROM_VIEWS",
        f"Depth is computed from views at {listed}, taking beams as parallel, the pictures as "
        "upright and the turn as one about the tooth's upright axis only; a tilt between the "
        "exposures that none of this knows of shows up as depth.",
        "project rule",
    )
    off = _height_difference_share(heights)
    if off > _HEIGHT_CAUTION_SHARE:
        text = (
            f"The heights of the canal in the views differ by {off:.1%}; magnification or tilt was "
            "not the same."
        )
        yield Caution("VIEWS_DIFFER_IN_HEIGHT", text, "project rule")
    rest = np.stack([h.across_mm for h in heights]) - _directions(angles_deg) @ place
    worst = float(np.max(np.abs(rest) / np.maximum(sd_u, 1e-9)))
    if worst > _DISAGREE_SD:
        text = (
            f"The views disagree by up to {float(np.abs(rest).max()):.2f} mm across the picture, "
            f"{worst:.1f} times what clicks explain; depth is less certain than stated."
        )
        yield Caution("VIEWS_DISAGREE", text, "project rule")
