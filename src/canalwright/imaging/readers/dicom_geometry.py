"""From the places of single slices to one rectangular grid, or the reason why there is none."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.readers.dicom_headers import Frame
from canalwright.imaging.readers.grid import StatedGrid, orthonormal
from canalwright.imaging.readers.guard import refuse

__all__ = ["Stack", "stacked"]

Floats = NDArray[np.float64]

UNEVEN_SHARE = 0.01
"""Deviation of a slice from the even grid, in steps, up to which it is taken as rounding."""

WRITTEN_PLACES_MM = 0.0051
"""Deviation that rounding to two decimals causes in the files of many scanners."""

SIDEWAYS_PIXELS = 0.1
"""Sideways shift over the whole stack, in pixels, up to which the grid counts as upright."""

GAP_STEPS = 1.5
"""Step, in usual steps, from which slices are missing rather than uneven."""

ORIENTATION_TOLERANCE = 1e-3


@dataclass(frozen=True, eq=False)
class Stack:
    """Frames in order of position, and the grid they form."""

    frames: tuple[Frame, ...]
    grid: StatedGrid


def stacked(path: Path, frames: Sequence[Frame]) -> Stack:
    """Order frames along their common normal and check that they form one even, upright grid.

    Parameters
    ----------
    path : Path
        Named in errors.
    frames : sequence of Frame

    Raises
    ------
    UnreadableFile
        If a slice has no place, stands at another angle, is missing, doubled or off the even
        grid, or if the slices are sheared against their normal (gantry tilt).
    """
    if len(frames) < 2:
        raise refuse(
            path,
            "is a single 2-D image, not a volume",
            "Give the folder that holds the whole series.",
        )
    rows, columns = _axes(path, frames)
    normal = np.cross(rows, columns)
    positions = _positions(path, frames)
    heights = positions @ normal
    order = np.argsort(heights, kind="stable")
    step_mm = _even_step(path, heights[order])
    _require_upright(path, frames, positions[order], heights[order], np.array([rows, columns]))
    spacing, doubt = _pixel_spacing(path, frames)
    grid = StatedGrid(
        spacing_mm=(step_mm, *spacing),
        origin_mm=positions[order[0]],
        direction=np.stack([rows, columns, normal], axis=1),
        oriented=True,
        doubt=doubt,
    )
    return Stack(frames=tuple(frames[i] for i in order), grid=grid)


def _axes(path: Path, frames: Sequence[Frame]) -> tuple[Floats, Floats]:
    missing = sum(not frame.orientation for frame in frames)
    if missing:
        raise refuse(
            path, f"{missing} of {len(frames)} slices do not state their orientation in space"
        )
    angles = np.array([frame.orientation for frame in frames])
    if not np.all(np.isfinite(angles)):
        raise refuse(path, "the orientation of its slices is not a number")
    if float(np.abs(angles - angles[0]).max()) > ORIENTATION_TOLERANCE:
        raise refuse(
            path, "its slices stand at different angles, so that they do not form one volume"
        )
    row, column = angles[0, :3], angles[0, 3:]
    square = orthonormal(path, np.stack([row, column, np.cross(row, column)], axis=1))
    return square[:, 0], square[:, 1]


def _positions(path: Path, frames: Sequence[Frame]) -> Floats:
    missing = sum(not frame.position_mm for frame in frames)
    if missing:
        raise refuse(path, f"{missing} of {len(frames)} slices do not state their position")
    positions = np.array([frame.position_mm for frame in frames])
    if not np.all(np.isfinite(positions)):
        raise refuse(path, "the position of its slices is not a number")
    return positions


def _even_step(path: Path, heights: Floats) -> float:
    steps = np.diff(heights)
    usual = float(np.median(steps))
    doubled = int(np.count_nonzero(steps <= UNEVEN_SHARE * usual))
    if doubled:
        raise refuse(
            path,
            f"{doubled} of its slices lie at the same position as another one",
            "The series is doubled or holds several volumes; keep one of them in the folder.",
        )
    gaps = np.flatnonzero(steps >= GAP_STEPS * usual)
    if gaps.size:
        raise refuse(path, _gap_text(heights, steps, usual, gaps), "Export the series again.")
    mean = float(heights[-1] - heights[0]) / len(steps)
    off = np.abs(heights - (heights[0] + mean * np.arange(len(heights))))
    allowed = max(UNEVEN_SHARE * mean, min(WRITTEN_PLACES_MM, 0.1 * mean))
    if float(off.max()) > allowed:
        raise refuse(
            path,
            f"its slices are not evenly spaced (steps of {steps.min():.4g} to {steps.max():.4g} "
            f"mm, up to {off.max():.3g} mm off the even grid)",
            "Resample it to even steps first.",
        )
    return mean


def _gap_text(heights: Floats, steps: Floats, usual: float, gaps: NDArray[np.intp]) -> str:
    absent = int(sum(round(float(steps[i]) / usual) - 1 for i in gaps))
    first = int(gaps[0])
    return (
        f"about {max(absent, 1)} of its slices are missing, the first after position "
        f"{heights[first]:.3f} mm (step {steps[first]:.4g} instead of {usual:.4g} mm)"
    )


def _require_upright(
    path: Path, frames: Sequence[Frame], positions: Floats, heights: Floats, axes: Floats
) -> None:
    shifts = (positions - positions[0]) @ axes.T
    pixels = [p for frame in frames for p in frame.pixel_spacing_mm if math.isfinite(p) and p > 0]
    allowed = SIDEWAYS_PIXELS * min(pixels, default=float(heights[1] - heights[0]))
    if float(np.abs(shifts).max()) <= allowed:
        return
    rise = heights - heights[0]
    slope = (rise @ shifts) / (rise @ rise)
    if float(np.abs(shifts - np.outer(rise, slope)).max()) <= allowed:
        angle = math.degrees(math.atan(float(np.linalg.norm(slope))))
        raise refuse(
            path,
            f"its slices are sheared by {angle:.2f} degrees (gantry tilt), so that the voxels "
            "are not rectangular",
            "Reconstruct it without tilt, or resample it to a rectangular grid first.",
        )
    raise refuse(path, f"its slices are shifted sideways by up to {np.abs(shifts).max():.3g} mm")


def _pixel_spacing(path: Path, frames: Sequence[Frame]) -> tuple[tuple[float, float], str]:
    missing = sum(not frame.pixel_spacing_mm for frame in frames)
    if missing:
        return (math.nan, math.nan), f"{missing} of its slices state no pixel spacing"
    sizes = np.array([frame.pixel_spacing_mm for frame in frames])
    usable = bool(np.all(np.isfinite(sizes)) and np.all(sizes > 0))
    if usable and float((np.abs(sizes - sizes[0]) / sizes[0]).max()) > ORIENTATION_TOLERANCE:
        raise refuse(path, "its slices have pixels of different sizes")
    between_rows, between_columns = (float(v) for v in sizes[0])
    doubt = (
        "" if usable else f"its pixel spacing {between_rows:g} × {between_columns:g} is impossible"
    )
    return ((between_rows, between_columns) if usable else (math.nan, math.nan)), doubt
