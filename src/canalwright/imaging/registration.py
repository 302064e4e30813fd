"""Two scans of one tooth brought together by its outer surface, and how sure that is.

Three stages: surfaces from several starts, gray values in a shell round the surface
(:cite:`simpleitk2013`), and weighted least squares of the gray values, whose spread over parts of
the surface gives the error. The canal and what lies round it take no part, since they are what
changed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import NotOneTooth
from canalwright.geometry.alignment import Alignment
from canalwright.geometry.movement_error import MovementError, jackknifed, surface_blocks
from canalwright.geometry.rigid import Rigid
from canalwright.geometry.surface_fit import (
    Surface,
    SurfaceFit,
    fitted_surfaces,
    starts_about,
)
from canalwright.imaging.sampling import Crop, crop_around
from canalwright.imaging.scan import Scan
from canalwright.imaging.tooth_mask import Tooth, find_tooth, sampled
from canalwright.imaging.tubeness import gaussian_smoothed

__all__ = [
    "LEAST_CORRELATION",
    "METHOD",
    "MOST_ERROR_VOXELS",
    "MOST_GAP_MM",
    "MOST_GAP_VOXELS",
    "KeepOut",
    "register_scans",
]

Floats = NDArray[np.float64]
Progress = Callable[[str, float], None]

METHOD: Final = "outer-surface-gray-shell"

LEAST_CORRELATION: Final = 0.9
MOST_ERROR_VOXELS: Final = 0.3
MOST_GAP_MM: Final = 0.05
MOST_GAP_VOXELS: Final = 0.35
"""Below this correlation, above the larger of these gaps, or where parts of the surface disagree
about the movement by more than this error, two scans are not taken for one tooth.

Measured on simulated images: pairs of one root correlate by 0.98 or more, with a gap of at most
0.17 voxel and an error of at most 0.07 voxel; unlike roots of the same kind by at most 0.89, with
a gap of 0.06 mm or more and an error of 0.5 voxel or more.
"""

_SHELL_MM = 0.6
_STEEP, _GAPS_KEPT = 0.5, 0.9
_FEW, _MANY = 700, 4000
_SAMPLES = 40000
_SMOOTHED_VOXELS = 0.8
_ITK_VOXEL_MM, _ITK_SAMPLES = 0.1, 200_000.0
_POLISHES, _SETTLED_MM = 12, 1e-5


@dataclass(frozen=True, eq=False)
class KeepOut:
    """Where gray values may have changed: within a radius of points.

    Attributes
    ----------
    points_mm : ndarray, shape (n, 3)
    radius_mm : ndarray, shape (n,)
    """

    points_mm: Floats
    radius_mm: Floats


def register_scans(
    before: Scan,
    after: Scan,
    *,
    tooth_at_mm: ArrayLike | None = None,
    keep_out: KeepOut | None = None,
    progress: Progress | None = None,
    seed: int = 0,
) -> Alignment:
    """Find the rigid movement from one scan of a tooth to another.

    Parameters
    ----------
    before, after : Scan
        Of one tooth, turned by up to 30° and moved by up to 5 mm.
    tooth_at_mm : array_like, shape (3,), optional
        A point in the tooth, in the frame before, for scans that show several.
    keep_out : KeepOut, optional
        Where the tooth was worked on, in the frame before.
    progress : callable, optional
    seed : int
        Of the drawn samples.

    Returns
    -------
    Alignment
        With the error from leaving out parts of the surface.

    Raises
    ------
    NotOneTooth
        If the surfaces do not lie on each other.
    NotFoundInScan
        If a scan shows no tooth.
    """
    report = progress or (lambda _step, _share: None)
    rng = np.random.default_rng([515, seed])
    report("finding the tooth", 0.0)
    first = find_tooth(before, tooth_at_mm)
    second = find_tooth(after, None if tooth_at_mm is None else tooth_at_mm)
    report("fitting surfaces", 0.3)
    fit = _surface_fit(first, second, rng)
    report("matching gray values", 0.5)
    shell = _shell_points_mm(first, keep_out, rng)
    crops = _crop_about(before, shell), _crop_about(after, fit.movement.moved_mm(shell))
    movement = _by_gray_values(first, crops, fit.movement, keep_out)
    report("estimating the error", 0.8)
    movement, error, found = _polished(crops, movement, shell)
    _require_one_tooth(found, float(np.mean(error.sd_mm(shell))), crops)
    report("done", 1.0)
    return Alignment(METHOD, movement, error, found.gap_mm, found.correlation)


def _require_one_tooth(found: _Residuals, error_mm: float, crops: tuple[Crop, Crop]) -> None:
    voxel = max(crop.voxel_mm for crop in crops)
    most_gap_mm = max(MOST_GAP_MM, MOST_GAP_VOXELS * voxel)
    most_error_mm = MOST_ERROR_VOXELS * voxel
    good = found.correlation >= LEAST_CORRELATION and found.gap_mm <= most_gap_mm
    if good and error_mm <= most_error_mm:
        return
    raise NotOneTooth(
        problem=(
            f"laid on each other as well as possible, their outer surfaces lie {found.gap_mm:.3f} "
            f"mm apart (at most {most_gap_mm:.3f}), gray values round them correlate by "
            f"{found.correlation:.2f} (at least {LEAST_CORRELATION:g}), and parts of them disagree "
            f"by {error_mm:.3f} mm (at most {most_error_mm:.3f})"
        ),
        hint="Both scans must hold the tooth whole; of several teeth, cut it out of both first.",
    )


def _surface_of(tooth: Tooth, count: int, rng: np.random.Generator) -> Surface:
    """Return drawn points of the outer surface, from the depth below it."""
    depth = tooth.depth_mm
    slope = np.stack(list(np.gradient(gaussian_smoothed(depth, 1.0))), axis=-1)
    places = np.argwhere(np.abs(depth) < 0.6 * tooth.crop.voxel_mm)
    places = rng.permutation(places)[:count]
    gradient = slope[tuple(places.T)][:, ::-1]
    length = np.linalg.norm(gradient, axis=1)
    good = length > 0.3 * tooth.crop.voxel_mm
    places, gradient, length = places[good], gradient[good], length[good]
    axes = tooth.crop.index_to_mm / tooth.crop.voxel_mm
    normals = -(gradient / length[:, None]) @ axes.T
    away = depth[tuple(places.T)][:, None]
    return Surface(tooth.crop.points(places[:, ::-1]) + away * normals, normals)


def _surface_fit(first: Tooth, second: Tooth, rng: np.random.Generator) -> SurfaceFit:
    few, goal = _surface_of(first, _FEW, rng), _surface_of(second, 4 * _MANY, rng)
    starts = (
        *starts_about(few, goal),
        *starts_about(few, goal, centered=False),
    )
    rough = fitted_surfaces(few, goal, starts)
    return fitted_surfaces(_surface_of(first, _MANY, rng), goal, [rough.movement])


def _shell_points_mm(tooth: Tooth, keep_out: KeepOut | None, rng: np.random.Generator) -> Floats:
    """Return drawn points near the outer surface, away from what was worked on."""
    places = np.argwhere(np.abs(tooth.depth_mm) < _SHELL_MM)
    drawn = rng.choice(len(places), min(_SAMPLES, len(places)), replace=False)
    index = places[drawn][:, ::-1] + rng.uniform(-0.5, 0.5, (len(drawn), 3))
    points = tooth.crop.points(index)
    points = points[np.abs(sampled(tooth, tooth.depth_mm, points)) < _SHELL_MM]
    return points if keep_out is None else points[_outside(points, keep_out)]


def _outside(points: Floats, keep_out: KeepOut) -> NDArray[np.bool_]:
    from scipy.spatial import cKDTree

    tree: Any = cKDTree(keep_out.points_mm)
    away, nearest = tree.query(points)
    return np.asarray(away > keep_out.radius_mm[nearest])


def _crop_about(scan: Scan, points: Floats) -> Crop:
    crop = crop_around(scan, np.stack([points.min(axis=0), points.max(axis=0)]), 0.5)
    if not np.all(np.isfinite(crop.values)):
        crop = replace(crop, values=np.nan_to_num(crop.values))
    return replace(crop, values=gaussian_smoothed(crop.values, _SMOOTHED_VOXELS))


def _by_gray_values(
    tooth: Tooth, crops: tuple[Crop, Crop], start: Rigid, keep_out: KeepOut | None
) -> Rigid:
    """Maximize the correlation of gray values in the shell."""
    sitk = _itk()

    fixed, moving = (_itk_image(crop.coarsened(_ITK_VOXEL_MM)) for crop in crops)
    method = sitk.ImageRegistrationMethod()
    method.SetMetricAsCorrelation()
    method.SetMetricFixedMask(_itk_mask(tooth, keep_out, fixed))
    method.SetMetricSamplingStrategy(method.RANDOM)
    method.SetMetricSamplingPercentage(min(1.0, _ITK_SAMPLES / fixed.GetNumberOfPixels()), 7)
    method.SetInterpolator(sitk.sitkLinear)
    method.SetOptimizerAsRegularStepGradientDescent(
        learningRate=0.1, minStep=1e-4, numberOfIterations=60, relaxationFactor=0.6
    )
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel([1])
    method.SetSmoothingSigmasPerLevel([0.0])
    method.SetNumberOfThreads(1)
    transform = sitk.VersorRigid3DTransform()
    center = tooth.crop.points((np.asarray(tooth.crop.values.shape[::-1]) - 1) / 2.0)
    transform.SetCenter(center.tolist())
    transform.SetMatrix(start.rotation.reshape(-1).tolist())
    transform.SetTranslation((start.moved_mm(center) - center).tolist())
    method.SetInitialTransform(transform, inPlace=True)
    method.Execute(fixed, moving)
    rotation = np.asarray(transform.GetMatrix()).reshape(3, 3)
    shift = np.asarray(transform.GetTranslation()) + center - rotation @ center
    return Rigid(rotation, shift)


def _itk() -> Any:
    import SimpleITK

    return SimpleITK


def _itk_image(crop: Crop) -> Any:
    sitk = _itk()

    image = sitk.GetImageFromArray(np.asarray(crop.values, np.float32))
    image.SetSpacing([crop.voxel_mm] * 3)
    image.SetOrigin(crop.origin_mm.tolist())
    axes = crop.index_to_mm / crop.voxel_mm
    left, _, right = np.linalg.svd(axes)
    image.SetDirection((left @ right).reshape(-1).tolist())
    return image


def _itk_mask(tooth: Tooth, keep_out: KeepOut | None, like: Any) -> Any:
    sitk = _itk()

    shell = np.abs(tooth.depth_mm) < _SHELL_MM
    if keep_out is not None:
        places = np.argwhere(shell)
        free = _outside(tooth.crop.points(places[:, ::-1]), keep_out)
        shell[tuple(places[~free].T)] = False
    mask = _itk_image(replace(tooth.crop, values=shell.astype(np.float32)))
    placed = sitk.Resample(mask, like, sitk.Transform(), sitk.sitkNearestNeighbor, 0.0)
    return sitk.Cast(placed > 0.5, sitk.sitkUInt8)


@dataclass(frozen=True, eq=False)
class _Residuals:
    rows: Floats
    values: Floats
    points: Floats
    correlation: float
    gap_mm: float


def _polished(
    crops: tuple[Crop, Crop], movement: Rigid, shell: Floats
) -> tuple[Rigid, MovementError, _Residuals]:
    """Settle the movement by weighted least squares, and estimate its error."""
    center = shell.mean(axis=0)
    fixed = crops[0].at(shell)
    for _ in range(_POLISHES):
        found = _residuals(crops[1], movement, shell, fixed, center)
        step = np.linalg.lstsq(found.rows, -found.values, rcond=1e-9)[0]
        movement = movement.after(Rigid.about(center, step[:3], step[3:]))
        if np.abs(step[3:]).max() + 8.0 * np.abs(step[:3]).max() < _SETTLED_MM:
            break
    found = _residuals(crops[1], movement, shell, fixed, center)
    error = jackknifed(found.rows, found.values, surface_blocks(found.points), center)
    return movement, error, found


def _residuals(
    crop: Crop, movement: Rigid, shell: Floats, fixed: Floats, center: Floats
) -> _Residuals:
    """Differences of gray values and how they change with a small movement before `movement`."""
    moved = movement.moved_mm(shell)
    step = 0.5 * crop.voxel_mm
    value = crop.at(moved)
    slope = np.stack(
        [
            (crop.at(moved + step * axis) - crop.at(moved - step * axis)) / (2.0 * step)
            for axis in movement.rotation.T
        ],
        axis=1,
    )
    known = np.isfinite(value) & np.isfinite(fixed) & np.isfinite(slope).all(axis=1)
    if known.sum() < 500:
        raise NotOneTooth(problem="their surfaces hardly overlap inside the images")
    value, slope, base, points = value[known], slope[known], fixed[known], shell[known]
    scale, offset = np.polyfit(base, value, 1)
    residual = value - scale * base - offset
    spread = 1.4826 * float(np.median(np.abs(residual - np.median(residual)))) + 1e-9
    weight = np.sqrt(np.minimum(1.0, 1.5 * spread / np.maximum(np.abs(residual), 1e-12)))
    # The turn is about the center, in the frame before.
    rows = np.hstack([np.cross(points - center, slope), slope])
    correlation = float(np.corrcoef(base, value)[0, 1])
    return _Residuals(
        rows * weight[:, None],
        residual * weight,
        points,
        correlation,
        _gap_mm(residual, np.linalg.norm(slope, axis=1)),
    )


def _gap_mm(residual: Floats, slope: Floats) -> float:
    """Root mean square distance of the surfaces: differences over slopes where these are steep."""
    steep = slope > _STEEP * np.quantile(slope, 0.95)
    gaps = np.sort(np.abs(residual[steep]) / slope[steep])
    return float(np.sqrt(np.mean(gaps[: max(int(_GAPS_KEPT * len(gaps)), 1)] ** 2)))
