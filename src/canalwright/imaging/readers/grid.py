"""Where the voxels of a file lie, and whether its stated voxel size can be trusted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.cautions import Caution
from canalwright.errors import MalformedText, MissingSpacing, OutOfRange
from canalwright.imaging.readers.guard import refuse

__all__ = ["Settled", "StatedGrid", "grid_from_axes", "settle", "unoriented_grid"]

Floats = NDArray[np.float64]
Steps = tuple[float, float, float]

SKEW_TOLERANCE = 2e-3
"""Largest cosine between two axes, and error of a unit length, still taken as rounding."""

EXACT = 1e-12
"""Deviation up to which axes are kept digit for digit."""

AGREEMENT = 0.01
"""Relative difference up to which a given voxel size is the one in the header."""


@dataclass(frozen=True, eq=False)
class StatedGrid:
    """The geometry as a file states it.

    Attributes
    ----------
    spacing_mm : tuple of float
        Along (z, y, x); a value that is missing or impossible is NaN.
    origin_mm : ndarray, shape (3,)
    direction : ndarray, shape (3, 3)
        Columns are the unit vectors of the x, y and z index.
    oriented : bool
    doubt : str
        Why the voxel size cannot be trusted, or the empty string.
    """

    spacing_mm: Steps
    origin_mm: Floats = field(default_factory=lambda: np.zeros(3))
    direction: Floats = field(default_factory=lambda: np.eye(3))
    oriented: bool = False
    doubt: str = ""


@dataclass(frozen=True, eq=False)
class Settled:
    """The geometry that is used, where its voxel size comes from, and what to know about it."""

    spacing_mm: Steps
    origin_mm: Floats
    direction: Floats
    oriented: bool
    spacing_origin: str
    cautions: tuple[Caution, ...]


def grid_from_axes(path: Path, axes_mm: ArrayLike, origin_mm: ArrayLike) -> StatedGrid:
    """Return the grid whose index axes advance by the columns of a matrix.

    Parameters
    ----------
    path : Path
        Named in errors.
    axes_mm : array_like, shape (3, 3)
        Columns: displacement in mm, LPS, per step of the x, y and z index. Left-handed
        arrangements are kept as they are.
    origin_mm : array_like, shape (3,)
        Center of the first voxel, LPS.

    Raises
    ------
    UnreadableFile
        If the axes are not at right angles or the origin is not finite.
    """
    axes, origin = np.asarray(axes_mm, float), np.asarray(origin_mm, float)
    lengths = np.linalg.norm(axes, axis=0)
    steps = _steps(lengths[::-1])
    if doubt := _impossible(steps):
        return StatedGrid(spacing_mm=steps, doubt=doubt)
    if not np.all(np.isfinite(origin)):
        raise refuse(path, "the position of its first voxel is not a number")
    grid = StatedGrid(
        spacing_mm=steps,
        origin_mm=origin,
        direction=orthonormal(path, axes / lengths),
        oriented=True,
    )
    return grid if not _placeholder(grid) else unoriented_grid(steps)


def unoriented_grid(spacing_mm: ArrayLike) -> StatedGrid:
    """Return the grid of a file that gives steps along (z, y, x) but no place in the patient."""
    steps = _steps(spacing_mm)
    doubt = _impossible(steps)
    if not doubt and steps == (1.0, 1.0, 1.0):
        doubt = "its voxel size is the placeholder 1 × 1 × 1"
    return StatedGrid(spacing_mm=steps, doubt=doubt)


def orthonormal(path: Path, direction: Floats) -> Floats:
    """Return the nearest matrix with columns of unit length at exact right angles.

    Raises
    ------
    UnreadableFile
        If the columns are farther from that than rounding explains.
    """
    worst = float(np.abs(direction.T @ direction - np.eye(3)).max())
    if not worst <= SKEW_TOLERANCE:
        raise refuse(
            path,
            "its voxel axes are not at right angles "
            f"(largest deviation {worst:.2g}), which is not supported",
            "Resample the volume to a rectangular grid first.",
        )
    if worst < EXACT:
        return direction
    left, _, right = np.linalg.svd(direction)
    return np.asarray(left @ right, float)


def settle(path: Path, stated: StatedGrid, user_mm: Steps | None) -> Settled:
    """Choose between the voxel size in the file and the one the user gives.

    A given size fills in what the file does not state credibly. Where the file does, the two
    have to agree within 1 %, and the file's value is used: a size typed over a good header is
    more often a slip than knowledge.

    Raises
    ------
    MissingSpacing
        If the file has no trustworthy voxel size and none is given.
    MalformedText, OutOfRange
        If what is given is not three possible values.
    UnreadableFile
        If a given value contradicts a trustworthy one in the file.
    """
    if user_mm is None:
        if stated.doubt:
            raise MissingSpacing(path=str(path), reason=stated.doubt)
        return _settled(stated, stated.spacing_mm, "header", ())
    user = _checked(user_mm)
    known = _credible(stated)
    if any(abs(a - b) > AGREEMENT * a for a, b in zip(known, user, strict=True)):
        raise refuse(
            path,
            f"its header states a voxel size of {_text(stated.spacing_mm)} mm (z, y, x), "
            f"but {_text(user)} mm was given",
            "Leave --spacing out to use the header, or correct the file if its header is wrong.",
        )
    if not stated.doubt:
        return _settled(stated, stated.spacing_mm, "header", ())
    steps = _filled(known, user)
    return _settled(stated, steps, "user", (_user_caution(steps),))


def _settled(
    stated: StatedGrid, steps: Steps, origin: str, cautions: tuple[Caution, ...]
) -> Settled:
    return Settled(
        spacing_mm=steps,
        origin_mm=stated.origin_mm,
        direction=stated.direction,
        oriented=stated.oriented,
        spacing_origin=origin,
        cautions=cautions,
    )


def _steps(values: ArrayLike) -> Steps:
    z, y, x = (float(v) for v in np.asarray(values, float))
    return z, y, x


def _impossible(steps: Steps) -> str:
    if all(math.isnan(step) for step in steps):
        return "it states no voxel size"
    if all(math.isfinite(step) and step > 0 for step in steps):
        return ""
    return f"its voxel size {_text(steps)} (z, y, x) is incomplete or impossible"


def _placeholder(grid: StatedGrid) -> bool:
    # A unit cube at the origin along the axes is what libraries write when nobody set a geometry.
    return (
        grid.spacing_mm == (1.0, 1.0, 1.0)
        and not grid.origin_mm.any()
        and np.array_equal(np.abs(grid.direction), np.eye(3))
    )


def _credible(stated: StatedGrid) -> Steps:
    """Return the steps that a given size must agree with, NaN where there is none."""
    if stated.doubt and "placeholder" in stated.doubt:
        return (math.nan, math.nan, math.nan)
    z, y, x = (s if math.isfinite(s) and s > 0 else math.nan for s in stated.spacing_mm)
    return z, y, x


def _filled(known: Steps, user: Steps) -> Steps:
    z, y, x = (u if math.isnan(k) else k for k, u in zip(known, user, strict=True))
    return z, y, x


def _checked(user_mm: Sequence[float]) -> Steps:
    if len(user_mm) != 3:
        text = ",".join(map(str, user_mm))
        raise MalformedText(name="voxel size", got=text, expected="three numbers z,y,x in mm")
    for axis, step in zip("zyx", user_mm, strict=True):
        if not 0.001 <= step <= 5.0:
            raise OutOfRange(
                name=f"given voxel size along {axis}",
                got=step,
                unit="mm",
                allowed=(0.001, 5.0),
                hint="Dental scans lie between 0.005 mm (micro-CT) and 1 mm.",
            )
    z, y, x = user_mm
    return z, y, x


def _user_caution(steps: Steps) -> Caution:
    return Caution(
        "USER_SPACING",
        f"Voxel size {_text(steps)} mm (z, y, x) was given by the user, not read from the file; "
        "all lengths scale with it.",
        "project rule",
    )


def _text(steps: Steps) -> str:
    return " × ".join("?" if math.isnan(step) else f"{step:.6g}" for step in steps)
