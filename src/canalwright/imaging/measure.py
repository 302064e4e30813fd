"""Measurement of a canal between two points of a scan.

The steps: a dark path between the points, its refinement to a smooth centerline, calibration of
gray values and blur on the canal itself, fits of blurred ellipses for the sizes, edge fits along
rays for the outer surface. Sizes below the voxel come from partial volume.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.cautions import merged
from canalwright.errors import NotACanal
from canalwright.geometry.sections import ellipse_radius_mm
from canalwright.imaging.apex import ApicalExit, exit_of
from canalwright.imaging.curves import (
    arc_length_mm,
    extended,
    nearest_level_mm,
    resampled,
    values_at,
)
from canalwright.imaging.detours import detour_caution
from canalwright.imaging.free_sections import FreeSections, free_sections
from canalwright.imaging.gray_levels import RoughLevels, ball_offsets_mm, rough_levels
from canalwright.imaging.measure_cautions import (
    canal_cautions,
    estimated_cautions,
    terminus_caution,
)
from canalwright.imaging.paths import path_through
from canalwright.imaging.refine import (
    EXTENSION_MM,
    central_depth,
    refined_centerline,
    settled_centerline,
)
from canalwright.imaging.sampling import Crop, crop_around
from canalwright.imaging.scan import Scan
from canalwright.imaging.section_fit import SectionFits
from canalwright.imaging.settings import MeasureSettings
from canalwright.imaging.size_profile import SizeProfile, size_profile
from canalwright.imaging.sizes import (
    Calibration,
    Sections,
    axial_sd_mm,
    calibrated,
    center_sd_mm,
    centers_of,
    covered_share,
    cut_sections,
    fitted,
    widened,
    widest_mm,
)
from canalwright.imaging.visibility import capped_where_faded, faded_runs_mm, visibility, within
from canalwright.imaging.walls import Walls, outer_walls

__all__ = ["METHODS", "MeasureSettings", "Progress", "measure_canal"]

Floats = NDArray[np.float64]
Progress = Callable[[str, float], None]

METHODS = (
    "dark-tube-path",
    "deficit-centroid-centerline",
    "blurred-ellipse-sections",
    "layered-edge-walls",
)

_LEAST_DISTANCE_MM = 1.0
_LEAST_VISIBLE = 0.5
_VISIBLE_DEPTH = 0.08
# Levels from which the apical exit is looked for: near the terminus, and where it may be off.
_EXIT_FROM_MM, _FAR_FROM_MM, _SETTLED_MM = 0.6, 1.6, 0.04
_NEAR_MM, _FAR_MM, _LEAST_DENTIN = 1.2, 1.8, 0.08
_WIDEST_HALF_MM = 2.5


def measure_canal(
    scan: Scan,
    name: str,
    orifice_mm: ArrayLike,
    terminus_mm: ArrayLike,
    *,
    through_mm: Sequence[ArrayLike] = (),
    settings: MeasureSettings | None = None,
    progress: Progress | None = None,
) -> Canal:
    """Measure the canal between two points.

    Parameters
    ----------
    scan : Scan
        Dentin brighter than the canal.
    name : str
    orifice_mm, terminus_mm : array_like, shape (3,)
        x, y, z in mm: LPS, or index × spacing for scans without orientation. Near the canal's
        axis; the measured canal runs from the foot of the one point to that of the other.
    through_mm : sequence of array_like, shape (3,)
        Points that the path is led through, near the axis; their order does not matter. For a
        canal whose path took a wrong way.
    settings : MeasureSettings, optional
    progress : callable, optional
        Called with the name of the step and the share done, 0 to 1.

    Returns
    -------
    Canal
        Levels every 0.1 mm from the terminus.

    Raises
    ------
    NotInVolume
        If a point lies outside the volume.
    NotACanal
        If the points are closer than 1 mm, lie outside the tooth, or no dark tube joins them.

    Notes
    -----
    Validated on simulated images with Gaussian blur; scatter and metal are not modeled. The
    standard deviations cover noise, blur and the gray value of the lumen, not those.
    """
    chosen = settings or MeasureSettings()
    report = progress or (lambda _step, _share: None)
    orifice = scan.require_inside(f"orifice of {name!r}", orifice_mm)
    terminus = scan.require_inside(f"terminus of {name!r}", terminus_mm)
    report("tracing", 0.0)
    through = [scan.require_inside(f"point of {name!r}", point) for point in through_mm]
    traced = _traced(scan, name, orifice, terminus, chosen, through)
    report("sizing", 0.4)
    sized = _sized(traced, orifice, terminus, chosen)
    unseen = sum(high - low for low, high in sized.faded)
    _require_seen(name, 1.0 - unseen / sized.length_mm)
    moved = False
    if chosen.terminus == "exit":
        report("finding the apical exit", 0.5)
        traced, sized, moved = _moved_to_exit(scan, name, traced, sized, orifice, chosen)
    report("walls", 0.7)
    walls = outer_walls(
        traced.crop,
        sized.sections.points_mm,
        sized.sections.first,
        sized.sections.second,
        sized.radius_mm,
        sized.sections.dentin,
        sized.calibration,
        traced.rough.grain_mm,
        chosen.ray_end_mm,
    )
    canal = _assembled(scan, name, sized, walls, traced.crop)
    apex = _exit_from(traced, sized, _EXIT_FROM_MM)
    canal = canal.with_cautions(
        *detour_caution(canal), terminus_caution(apex, moved, _EXIT_FROM_MM, terminus, canal)
    )
    report("done", 1.0)
    return canal


def _moved_to_exit(
    scan: Scan,
    name: str,
    traced: _Traced,
    sized: _Sized,
    orifice: Floats,
    settings: MeasureSettings,
) -> tuple[_Traced, _Sized, bool]:
    """Measure again from the canal's exit; the first look starts well inside the canal."""
    moved = False
    for from_mm in (_FAR_FROM_MM, _EXIT_FROM_MM, _EXIT_FROM_MM):
        apex = _exit_from(traced, sized, from_mm)
        if apex is None:
            break
        terminus = np.array(apex.point_mm)
        if moved and np.linalg.norm(terminus - sized.sections.points_mm[0]) < _SETTLED_MM:
            break
        traced = _traced(scan, name, orifice, terminus, settings, traced.through)
        sized = _sized(traced, orifice, terminus, settings)
        moved = True
    return traced, sized, moved


def _exit_from(traced: _Traced, sized: _Sized, from_mm: float) -> ApicalExit | None:
    return exit_of(
        traced.crop, sized.sections, sized.profile.diameter_mm, sized.calibration, from_mm
    )


@dataclass(frozen=True, eq=False)
class _Traced:
    crop: Crop
    rough: RoughLevels
    line: Floats
    through: Sequence[Floats]


@dataclass(frozen=True, eq=False)
class _Sized:
    sections: Sections
    calibration: Calibration
    profile: SizeProfile
    radius_mm: Floats
    free: FreeSections
    faded: list[tuple[float, float]]

    @property
    def length_mm(self) -> float:
        return float(arc_length_mm(self.sections.points_mm)[-1])


def _traced(
    scan: Scan,
    name: str,
    orifice: Floats,
    terminus: Floats,
    settings: MeasureSettings,
    through: Sequence[Floats] = (),
) -> _Traced:
    gap = float(np.linalg.norm(orifice - terminus))
    if gap < _LEAST_DISTANCE_MM:
        raise NotACanal(
            name=name,
            problem=f"orifice and terminus are only {gap:.2f} mm apart",
            hint="Give two points at least 1 mm apart.",
        )
    ends = np.stack([orifice, terminus, *through])
    crop = crop_around(scan, ends, settings.margin_mm, as_stored=True)
    if not np.all(np.isfinite(crop.values)):
        raise NotACanal(name=name, problem="the image holds values that are not numbers there")
    rough = rough_levels(crop, orifice)
    if rough.contrast < 5.0 * max(rough.noise, 1e-6):
        raise NotACanal(
            name=name,
            problem=(
                "there is no dark canal inside brighter dentin at the orifice point "
                f"(gray values differ by {rough.contrast:.3g}, noise {rough.noise:.3g})"
            ),
            hint="Put it on the canal's axis at the floor of the chamber.",
        )
    for which, point in (("orifice", orifice), ("terminus", terminus)):
        near = _NEAR_MM if which == "orifice" or settings.terminus == "clicked" else _FAR_MM
        _require_dentin(crop, point, name, which, rough, near)
    path = path_through(crop, terminus, orifice, through, rough.dentin, rough.contrast)
    line = refined_centerline(crop, path, rough, settings)
    _require_tube(crop, line, name, rough)
    return _Traced(crop, rough, line, through)


def _require_dentin(
    crop: Crop, point: Floats, name: str, which: str, rough: RoughLevels, near_mm: float
) -> None:
    """Refuse a point that has next to no dentin round it."""
    gray = crop.at(point + ball_offsets_mm(near_mm, 0.15))
    share = float(np.nanmean(gray > rough.dentin - 0.4 * rough.contrast))
    if share < _LEAST_DENTIN:
        raise NotACanal(
            name=name,
            problem=f"the {which} point lies outside the tooth: there is no dentin around it",
            hint="Points are x,y,z in mm, in that order.",
        )


def _require_tube(crop: Crop, line: Floats, name: str, rough: RoughLevels) -> None:
    """Refuse a path that does not run in a dark tube inside dentin."""
    ends = round(EXTENSION_MM / float(np.linalg.norm(line[1] - line[0])))
    depth, around = central_depth(crop, line[ends:-ends], rough.contrast)
    in_dentin = around > rough.dentin - 0.4 * rough.contrast
    _require_seen(name, float(np.mean((depth > _VISIBLE_DEPTH) & in_dentin)))


def _require_seen(name: str, share: float) -> None:
    if share < _LEAST_VISIBLE:
        raise NotACanal(
            name=name,
            problem=(
                "no dark tube inside dentin joins the two points "
                f"(seen along {share:.0%} of the way, at least {_LEAST_VISIBLE:.0%} is needed)"
            ),
            hint="Check that both points lie in the same canal and are given as x,y,z in mm.",
        )


def _sized(traced: _Traced, orifice: Floats, terminus: Floats, settings: MeasureSettings) -> _Sized:
    """Center, calibrate and size; the curve is cut at the two points."""
    crop, rough, line = traced.crop, traced.rough, traced.line
    anchor = line
    sections = cut_sections(crop, line, rough, settings)
    ends = round(EXTENSION_MM / settings.level_step_mm)
    inner = sections.part(slice(ends, len(line) - ends))
    calibration = calibrated(inner, crop.voxel_mm, rough, settings)
    for _ in range(2):
        fits, weights = fitted(sections, calibration, rough)
        covered = covered_share(sections, weights, rough.contrast)
        line = _recentered(sections, fits, calibration, covered, rough, anchor, settings)
        radius = np.clip(np.exp(fits.parameters[:, 2]), 0.08, 1.5)
        radius = np.interp(np.linspace(0, 1, len(line)), np.linspace(0, 1, len(radius)), radius)
        sections = cut_sections(crop, line, rough, settings, radius, widest_mm(fits))
    line, radius = _cut_at_points(line, radius, orifice, terminus, settings)
    lead = round(0.5 * EXTENSION_MM / settings.level_step_mm)
    sections = cut_sections(crop, line, rough, settings, radius, widest_mm(fits))
    keep = slice(lead, len(line) - lead)
    calibration = calibrated(sections.part(keep), crop.voxel_mm, rough, settings)
    fits, weights = fitted(sections, calibration, rough)
    profile = size_profile(sections, fits, weights, calibration, rough, settings)
    profile = profile.part(keep)
    axial = settings.axial_sd_mm / settings.level_step_mm
    free = free_sections(
        sections.part(keep),
        fits.part(keep),
        weights[keep],
        calibration,
        lambda levels: widened(crop, sections.part(keep), levels, _WIDEST_HALF_MM, axial),
    ).without(profile.estimated)
    ellipse = ellipse_radius_mm(profile.wide_mm, profile.narrow_mm, profile.angle_rad)
    radius_mm = free.mixed_with(ellipse)
    seen = visibility(sections.part(keep), weights[keep], calibration)
    level = arc_length_mm(line[keep])
    faded = faded_runs_mm(level, seen)
    radius_mm, sd = capped_where_faded(level, radius_mm, profile.diameter_sd_mm, faded)
    profile = profile.with_diameter_sd(sd)
    return _Sized(sections.part(keep), calibration, profile, radius_mm, free, faded)


def _recentered(
    sections: Sections,
    fits: SectionFits,
    calibration: Calibration,
    covered: Floats,
    rough: RoughLevels,
    anchor: Floats,
    settings: MeasureSettings,
) -> Floats:
    center = centers_of(fits)
    moved = sections.points_mm + center[:, :1] * sections.first + center[:, 1:] * sections.second
    sd = center_sd_mm(fits, sections, calibration, rough.grain_mm)
    alike = 2.0 * np.sqrt(np.pi) * axial_sd_mm(rough, settings) / settings.level_step_mm
    return settled_centerline(
        moved, sd * np.sqrt(max(alike, 1.0)) / np.maximum(covered, 1e-3), anchor, settings
    )


def _cut_at_points(
    line: Floats, radius: Floats, orifice: Floats, terminus: Floats, settings: MeasureSettings
) -> tuple[Floats, Floats]:
    """Put the levels so that they begin and end at the feet of the two points.

    Half the extension is kept on either side for smoothing.
    """
    step = settings.level_step_mm
    fine = resampled(line, step / 4.0)
    low, high = nearest_level_mm(fine, terminus), nearest_level_mm(fine, orifice)
    count = max(round((high - low) / step), 5)
    lead = round(0.5 * EXTENSION_MM / step)
    # A point far off the canal has its foot at the very end of the line.
    level = np.asarray(low + (high - low) / count * np.arange(-lead, count + lead + 1), float)
    more = extended(fine, EXTENSION_MM, EXTENSION_MM)
    before = (len(more) - len(fine)) // 2
    arc = arc_length_mm(more)
    arc = arc - arc[before]
    old = np.linspace(0.0, arc[before + len(fine) - 1], len(radius))
    return values_at(level, arc, more), np.interp(level, old, radius)


def _assembled(scan: Scan, name: str, sized: _Sized, walls: Walls, crop: Crop) -> Canal:
    sections, profile = sized.sections, sized.profile
    level = arc_length_mm(sections.points_mm)
    thickness = walls.radius_mm - sized.radius_mm
    nearest = np.argmin(np.where(np.isfinite(thickness), thickness, np.inf), axis=1)
    wall_sd = np.take_along_axis(walls.sd_mm, nearest[:, None], axis=1)[:, 0]
    lumen_sd = 0.25 * (profile.narrow_sd_mm + profile.wide_sd_mm)
    dentin_sd = np.hypot(wall_sd, lumen_sd)
    canal = Canal(
        name=name,
        level_mm=level,
        centerline_mm=sections.points_mm,
        direction0=sections.first,
        radius_mm=sized.radius_mm,
        outer_radius_mm=walls.radius_mm,
        diameter_sd_mm=profile.diameter_sd_mm,
        narrow_sd_mm=profile.narrow_sd_mm,
        wide_sd_mm=profile.wide_sd_mm,
        dentin_sd_mm=dentin_sd,
        provenance=Provenance(
            source=scan.source,
            digest=scan.digest,
            methods=METHODS,
            spacing_mm=scan.spacing_mm,
            spacing_origin=scan.spacing_origin,
            invented=scan.invented,
        ),
        estimated=profile.estimated | within(level, sized.faded),
    )
    found = canal_cautions(canal, scan, crop.voxel_mm, sized.faded, crop.resampled, sized.free)
    found = (*found, *estimated_cautions(level, profile.estimated))
    return canal.with_cautions(*merged(scan.cautions, found))
