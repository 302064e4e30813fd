"""Canals traced on a radiograph: from clicked points to a centerline in the picture's plane."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.canal import Provenance
from canalwright.anatomy.curvature import CurvatureSummary, summarize_centerline
from canalwright.cautions import Caution, merged
from canalwright.errors import NotACanal
from canalwright.imaging.projected_width import projected_widths
from canalwright.imaging.rulers import CLICK_SD_PX
from canalwright.imaging.strip import evenly_along, points_through, sampled_strip, smooth_line
from canalwright.imaging.tracing_cautions import trace_cautions

if TYPE_CHECKING:
    from canalwright.imaging.radiograph import Radiograph
    from canalwright.imaging.rulers import Ruler

__all__ = ["TraceSettings", "TracedCanal", "TracedStretch", "trace_canal"]

Floats = NDArray[np.float64]

TOWARD_VIEWER: Final = (0.0, 0.0, -1.0)
"""x runs to the right of the picture, y down and z away from the viewer."""

_SHORTEST_MM: Final = 2.0
_LONGEST_MM: Final = 60.0
_CLICK_REACH_SD: Final = 3.0
_LEAST_REACH_MM: Final = 0.15
_BESIDE_MM: Final = 1.0


@dataclass(frozen=True, slots=True)
class TraceSettings:
    """How a canal is traced. Lengths in mm.

    Attributes
    ----------
    snap : bool
        Whether the line is moved to the dark canal between the points.
    click_sd_px : float
        Standard deviation of a click, in pixels.
    corridor_mm : float
        How far from the line through the points the canal is looked for, at least; a twelfth of
        the largest gap between two points where that is more (an arc of 35° stays within it).
    confidence : float
        From which on a stretch is snapped.
    level_step_mm : float
        Distance of the levels.
    wave_mm, clicked_wave_mm : float
        Waves shorter than this are taken out of a snapped line, and of one from points alone.
    """

    snap: bool = True
    click_sd_px: float = CLICK_SD_PX.value
    corridor_mm: float = 0.4
    confidence: float = 0.99
    level_step_mm: float = 0.1
    wave_mm: float = 2.5
    clicked_wave_mm: float = 4.0


@dataclass(frozen=True, slots=True)
class TracedStretch:
    """The line between two neighboring points.

    Attributes
    ----------
    start_level_mm, end_level_mm : float
        From the terminus.
    snapped : bool
        Whether the dark canal was followed; otherwise the line runs through the points.
    confidence : float or None
        That there is a dark line, 0 to 1; None if none was looked for.
    """

    start_level_mm: float
    end_level_mm: float
    snapped: bool
    confidence: float | None


@dataclass(frozen=True, eq=False)
class TracedCanal:
    """A canal as a radiograph shows it: a projection.

    Arrays share the first axis: n levels from the terminus (level 0) to the orifice.

    Attributes
    ----------
    name : str
    level_mm : ndarray, shape (n,)
        Arc length in the picture's plane; in space where views were combined.
    centerline_mm : ndarray, shape (n, 3)
        x to the right of the picture, y down, z away from the viewer (0 in a single view).
    points_px : ndarray, shape (n, 2)
        The same line in pixels (x, y) of the picture.
    clicks_px : ndarray, shape (m, 2)
        The points given, terminus first.
    width_mm, width_sd_mm : ndarray, shape (n,)
        Projected width and its standard deviation with that of the scale; NaN where not seen.
    length_sd_mm : float
        From clicks and scale.
    stretches : tuple of TracedStretch
        From the terminus up.
    ruler : Ruler
    depth_sd_mm : ndarray, shape (n,), or None
        Standard deviation of the depth; None in a single view, where it is unknown.
    view_angles_deg : tuple of float
        Angles of the views behind the centerline; one 0 for a single view.
    provenance : Provenance
    cautions : tuple of Caution
    """

    name: str
    level_mm: Floats
    centerline_mm: Floats
    points_px: Floats
    clicks_px: Floats
    width_mm: Floats
    width_sd_mm: Floats
    length_sd_mm: float
    stretches: tuple[TracedStretch, ...]
    ruler: Ruler
    depth_sd_mm: Floats | None = None
    view_angles_deg: tuple[float, ...] = (0.0,)
    provenance: Provenance = field(default_factory=Provenance)
    cautions: tuple[Caution, ...] = ()

    @property
    def length_mm(self) -> float:
        """Arc length from terminus to orifice."""
        return float(self.level_mm[-1])

    @property
    def depth_known(self) -> bool:
        """Whether the centerline was combined from several views."""
        return self.depth_sd_mm is not None

    @cached_property
    def curvature(self) -> CurvatureSummary:
        """Curvature by all methods: in the picture, or in space where views were combined."""
        view = None if self.depth_known else TOWARD_VIEWER
        return summarize_centerline(self.centerline_mm, view)

    def with_cautions(self, *cautions: Caution) -> TracedCanal:
        """Return the same canal carrying further cautions."""
        return replace(self, cautions=merged(self.cautions, cautions))


@dataclass(frozen=True, eq=False)
class _Line:
    """A line in the picture, terminus first, and how its stretches came about."""

    points_px: Floats
    clicks_px: Floats
    snapped: tuple[bool, ...]
    confidence: tuple[float | None, ...]


def trace_canal(
    radiograph: Radiograph,
    name: str,
    points_px: ArrayLike,
    *,
    terminus: Literal["first", "last"] = "last",
    settings: TraceSettings | None = None,
) -> TracedCanal:
    """Trace a canal through clicked points.

    Parameters
    ----------
    radiograph : Radiograph
        With a scale.
    name : str
    points_px : array_like, shape (m, 2)
        At least two points (x, y) in pixels, in order along the canal.
    terminus : str
        Which end of the list is the terminus.
    settings : TraceSettings, optional

    Returns
    -------
    TracedCanal

    Raises
    ------
    MissingScale
        If the radiograph has none.
    OutOfRange
        If a point lies outside the picture.
    NotACanal
        If there are fewer than two different points, or the canal is impossibly short or long.
    """
    chosen = settings or TraceSettings()
    scale = radiograph.require_scale()
    clicks = _checked_clicks(radiograph, name, points_px)
    if terminus == "last":
        clicks = clicks[::-1]
    line = _traced_line(radiograph, clicks, scale, chosen)
    even = evenly_along(line.points_px, chosen.level_step_mm / scale)
    widths = projected_widths(radiograph.pixels, even, scale)
    level = _levels_mm(even, scale)
    share = radiograph.ruler.sd_share
    made = TracedCanal(
        name=name,
        level_mm=level,
        centerline_mm=np.column_stack([even * scale, np.zeros(len(even))]),
        points_px=even,
        clicks_px=clicks,
        width_mm=widths.width_mm,
        width_sd_mm=np.hypot(widths.width_sd_mm, share * widths.width_mm),
        length_sd_mm=_length_sd_mm(level[-1], scale, share, chosen.click_sd_px),
        stretches=_stretches(line, even, level),
        ruler=radiograph.ruler,
        provenance=_provenance(radiograph, line),
        cautions=merged(radiograph.cautions, radiograph.ruler.cautions),
    )
    return made.with_cautions(*trace_cautions(made))


def _checked_clicks(radiograph: Radiograph, name: str, points_px: ArrayLike) -> Floats:
    clicks = radiograph.require_inside(f"canal {name!r}", points_px)
    if len(clicks) < 2:
        raise NotACanal(
            name=name,
            problem=f"{len(clicks)} point was given, at least two are needed",
            hint="Click from the orifice to the terminus, more points where the canal bends.",
        )
    gaps = np.linalg.norm(np.diff(clicks, axis=0), axis=1)
    if gaps.min() < 1.0:
        at = int(np.argmin(gaps)) + 1
        raise NotACanal(name=name, problem=f"points {at} and {at + 1} are the same pixel")
    scale = radiograph.require_scale()
    long = float(gaps.sum()) * scale
    if not _SHORTEST_MM <= long <= _LONGEST_MM:
        raise NotACanal(
            name=name,
            problem=(
                f"the points are {long:.2f} mm long at {scale:.4g} mm per px, and a canal has "
                f"{_SHORTEST_MM:g} to {_LONGEST_MM:g} mm"
            ),
            hint="Check the scale.",
        )
    return clicks


def _traced_line(
    radiograph: Radiograph, clicks: Floats, scale: float, settings: TraceSettings
) -> _Line:
    step_px = max(0.05 / scale, 0.5)
    through = points_through(clicks, step_px)
    nothing = (None,) * (len(clicks) - 1)
    if not settings.snap:
        smooth = smooth_line(through, step_px, settings.clicked_wave_mm / scale)
        return _Line(smooth, clicks, (False,) * len(nothing), nothing)
    return _snapped_line(radiograph, clicks, through, scale, settings)


def _snapped_line(
    radiograph: Radiograph, clicks: Floats, through: Floats, scale: float, settings: TraceSettings
) -> _Line:
    from canalwright.imaging.dark_ridge import dark_ridge

    rows = _rows_of(clicks, through)
    gap = float(np.linalg.norm(np.diff(clicks, axis=0), axis=1).max()) * scale
    corridor = max(settings.corridor_mm, gap / 12.0)
    across = max(0.03, 0.7 * scale)
    strip = sampled_strip(radiograph.pixels, through, scale, corridor + _BESIDE_MM, across)
    reach = max(_CLICK_REACH_SD * settings.click_sd_px * scale, _LEAST_REACH_MM)
    held = np.full(len(through), corridor)
    held[rows] = min(reach, corridor)
    pairs = list(pairwise(rows))
    ridge = dark_ridge(strip, held, pairs)
    snapped = [value >= settings.confidence for value in ridge.confidence]
    offset = _offset_mm(ridge.offset_mm, pairs, snapped)
    moved = through + (offset / scale)[:, None] * strip.normals
    step_px = strip.step_mm / scale
    wave = settings.wave_mm if any(snapped) else settings.clicked_wave_mm
    smooth = smooth_line(moved, step_px, wave / scale)
    return _Line(smooth, clicks, tuple(snapped), ridge.confidence)


def _offset_mm(found: Floats, pairs: list[tuple[int, int]], snapped: list[bool]) -> Floats:
    """Return offsets that follow what was found, and lead evenly over stretches without."""
    known = {pairs[0][0]: 0.0, pairs[-1][1]: 0.0}
    for (a, b), follow in zip(pairs, snapped, strict=True):
        if follow:
            known |= {row: float(found[row]) for row in range(a, b + 1)}
        else:
            known = {b: 0.0} | known
    rows = sorted(known)
    return np.interp(np.arange(len(found)), rows, [known[row] for row in rows])


def _rows_of(clicks: Floats, through: Floats) -> list[int]:
    """Return the row of the line nearest to every click, in order."""
    rows = [0]
    for click in clicks[1:-1]:
        start = rows[-1] + 1
        gap = np.linalg.norm(through[start:-1] - click, axis=1)
        rows.append(start + int(np.argmin(gap)))
    return [*rows, len(through) - 1]


def _levels_mm(points_px: Floats, scale: float) -> Floats:
    gaps = np.linalg.norm(np.diff(points_px, axis=0), axis=1) * scale
    return np.concatenate([[0.0], np.cumsum(gaps)])


def _length_sd_mm(length: float, scale: float, share: float, click_sd_px: float) -> float:
    return float(np.hypot(share * length, np.sqrt(2.0) * click_sd_px * scale))


def _stretches(line: _Line, even: Floats, level: Floats) -> tuple[TracedStretch, ...]:
    nearest = [int(np.argmin(np.linalg.norm(even - c, axis=1))) for c in line.clicks_px]
    ends: Sequence[float] = [0.0, *(float(level[i]) for i in nearest[1:-1]), float(level[-1])]
    return tuple(
        TracedStretch(low, high, snapped, confidence)
        for low, high, snapped, confidence in zip(
            ends[:-1], ends[1:], line.snapped, line.confidence, strict=True
        )
    )


def _provenance(radiograph: Radiograph, line: _Line) -> Provenance:
    path = "trace.dark_line" if any(line.snapped) else "trace.points"
    return Provenance(
        source=radiograph.source,
        digest=radiograph.digest,
        methods=(path, "width.projected_ellipse"),
        spacing_origin=f"scale: {radiograph.scale_origin}",
        invented=radiograph.invented,
    )
