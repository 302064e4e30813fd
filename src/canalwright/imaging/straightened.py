"""Pictures along and across a canal: curved planar reformats and oblique cross-sections.

A straightened image is cut by a ribbon that follows the centerline: its rows are levels, its
columns lie along one direction of the normal plane. Lengths along the centerline and across it
are true; away from the centerline of a curved canal, lengths along it are not. For figures and
screens; sizes are measured in the scan itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange
from canalwright.geometry.frames import finite_difference_tangents
from canalwright.geometry.points import unit_vectors
from canalwright.imaging.scan import Scan

__all__ = [
    "CrossSectionImage",
    "Interpolation",
    "StraightenedImage",
    "cross_section_image",
    "straightened_image",
]

Floats = NDArray[np.float64]
Interpolation = Literal["linear", "cubic"]

MARGIN_VOXELS = 12
"""Voxels kept round the sampled points: the memory of the cubic spline fades within them."""

MAX_SAMPLES = 5_000_000


@dataclass(frozen=True, eq=False)
class StraightenedImage:
    """A curved planar reformat.

    Attributes
    ----------
    image : ndarray, shape (n, m)
        Gray values ``[level, across]``; NaN outside the volume.
    level_mm : ndarray, shape (n,)
        From the terminus, increasing.
    across_mm : ndarray, shape (m,)
        From the centerline, positive along the direction shown.
    rotation_deg : float
        Angle from direction 0 to the direction shown, right-handed about the tangent that points
        from terminus to orifice.
    """

    image: NDArray[np.float32]
    level_mm: Floats
    across_mm: Floats
    rotation_deg: float


@dataclass(frozen=True, eq=False)
class CrossSectionImage:
    """A flat cut through the scan.

    Attributes
    ----------
    image : ndarray, shape (n, m)
        Gray values ``[v, u]``; NaN outside the volume.
    u_mm, v_mm : ndarray, shape (m,) and (n,)
        Distances from the point along the two directions.
    """

    image: NDArray[np.float32]
    u_mm: Floats
    v_mm: Floats


def straightened_image(
    scan: Scan,
    centerline_mm: ArrayLike,
    level_mm: ArrayLike,
    direction0: ArrayLike,
    *,
    half_width_mm: float = 2.0,
    step_mm: float = 0.05,
    rotation_deg: float = 0.0,
    interpolation: Interpolation = "cubic",
) -> StraightenedImage:
    """Sample the scan on a ribbon along a centerline.

    Parameters
    ----------
    scan : Scan
    centerline_mm : array_like, shape (n, 3)
        At least two points, terminus first.
    level_mm : array_like, shape (n,)
        Their arc length from the terminus, increasing.
    direction0 : array_like, shape (n, 3)
        Direction 0 at each point, across the centerline.
    half_width_mm : float
        Reach to both sides.
    step_mm : float
        Distance of samples, along and across; above 0.
    rotation_deg : float
        Turns the ribbon about the centerline, from direction 0.
    interpolation : {"cubic", "linear"}

    Returns
    -------
    StraightenedImage

    Raises
    ------
    OutOfRange
        If levels do not increase, or sizes are not positive or ask for too many samples.
    """
    points, levels = np.asarray(centerline_mm, float), np.asarray(level_mm, float)
    _require_levels(points, levels)
    across = _even(half_width_mm, step_mm)
    even_levels = _levels(levels, step_mm)
    _require_samples(len(even_levels) * len(across))
    centers = _smooth(levels, points, even_levels)
    shown = _shown(levels, np.asarray(direction0, float), centers, even_levels, rotation_deg)
    samples = centers[:, None, :] + across[None, :, None] * shown[:, None, :]
    return StraightenedImage(
        image=_sampled(scan, samples, interpolation),
        level_mm=even_levels,
        across_mm=across,
        rotation_deg=float(rotation_deg),
    )


def cross_section_image(
    scan: Scan,
    point_mm: ArrayLike,
    u: ArrayLike,
    v: ArrayLike,
    *,
    half_width_mm: float = 2.0,
    step_mm: float = 0.05,
    interpolation: Interpolation = "cubic",
) -> CrossSectionImage:
    """Sample the scan on a square in the plane of two directions.

    Parameters
    ----------
    scan : Scan
    point_mm : array_like, shape (3,)
        Center of the picture.
    u, v : array_like, shape (3,)
        Directions of columns and rows; made unit vectors, not made perpendicular.
    half_width_mm, step_mm : float
        Reach to all four sides, and distance of samples.
    interpolation : {"cubic", "linear"}

    Returns
    -------
    CrossSectionImage

    Raises
    ------
    OutOfRange
        If sizes are not positive or ask for too many samples.
    """
    offsets = _even(half_width_mm, step_mm)
    _require_samples(len(offsets) ** 2)
    along_u = offsets[None, :, None] * unit_vectors(u)
    along_v = offsets[:, None, None] * unit_vectors(v)
    samples = np.asarray(point_mm, float) + along_u + along_v
    return CrossSectionImage(
        image=_sampled(scan, samples, interpolation), u_mm=offsets, v_mm=offsets.copy()
    )


def _require_levels(points: Floats, levels: Floats) -> None:
    steps = np.diff(levels)
    smallest = float(steps.min()) if len(points) == len(levels) >= 2 else math.nan
    if not smallest > 0.0:
        raise OutOfRange(
            name="smallest step between the levels of a centerline",
            got=smallest,
            unit="mm",
            allowed=(0.0, None),
            hint="One level per point, increasing from the terminus.",
        )


def _require_samples(count: float) -> None:
    if count > MAX_SAMPLES:
        raise OutOfRange(
            name="number of samples in a picture", got=count, unit="", allowed=(1, MAX_SAMPLES)
        )


def _even(half_width_mm: float, step_mm: float) -> Floats:
    for name, value in (("half width", half_width_mm), ("sample distance", step_mm)):
        if not 0.0 < value < math.inf:
            raise OutOfRange(name=name, got=value, unit="mm", allowed=(0.0, None))
    count = _whole_steps(half_width_mm, step_mm)
    return np.asarray(np.arange(-count, count + 1) * step_mm, float)


def _whole_steps(length_mm: float, step_mm: float) -> int:
    # The small surplus keeps a length of whole steps from losing one to rounding.
    steps = length_mm / step_mm + 1e-9
    _require_samples(steps)
    return int(steps)


def _levels(levels: Floats, step_mm: float) -> Floats:
    count = _whole_steps(float(levels[-1] - levels[0]), step_mm)
    return np.asarray(levels[0] + np.arange(count + 1) * step_mm, float)


def _smooth(levels: Floats, values: Floats, wanted: Floats) -> Floats:
    from scipy.interpolate import make_interp_spline

    degree = min(3, len(levels) - 1)
    return np.asarray(make_interp_spline(levels, values, k=degree)(wanted), float)


def _shown(
    levels: Floats, direction0: Floats, centers: Floats, wanted: Floats, rotation_deg: float
) -> Floats:
    """Return the unit vector of the ribbon at every wanted level, across the centerline."""
    if len(centers) < 2:
        raise OutOfRange(
            name="number of levels in a straightened image",
            got=len(centers),
            unit="",
            allowed=(2, None),
            hint="Take a smaller sample distance.",
        )
    tangent = finite_difference_tangents(centers)
    carried = np.stack([np.interp(wanted, levels, axis) for axis in direction0.T], axis=1)
    carried -= tangent * np.sum(carried * tangent, axis=1, keepdims=True)
    first = unit_vectors(carried)
    angle = math.radians(rotation_deg)
    turned = math.cos(angle) * first + math.sin(angle) * np.cross(tangent, first)
    return np.asarray(turned, float)


def _sampled(scan: Scan, points_mm: Floats, interpolation: Interpolation) -> NDArray[np.float32]:
    from scipy.ndimage import map_coordinates

    index = scan.index_from_points(points_mm)[..., ::-1]
    last = np.asarray(scan.shape) - 1
    inside = np.all((index >= 0.0) & (index <= last), axis=-1)
    image = np.full(index.shape[:-1], np.nan, np.float32)
    if not inside.any():
        return image
    wanted = index[inside]
    low = np.maximum(np.floor(wanted.min(axis=0)).astype(int) - MARGIN_VOXELS, 0)
    high = np.minimum(np.ceil(wanted.max(axis=0)).astype(int) + MARGIN_VOXELS, last) + 1
    crop = scan.voxels[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
    cubic = interpolation == "cubic"
    samples = map_coordinates(
        crop.astype(np.float32), (wanted - low).T, order=3 if cubic else 1, mode="nearest"
    )
    image[inside] = samples
    return image
