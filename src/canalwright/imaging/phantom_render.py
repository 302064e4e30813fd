"""From a phantom's description to a scan: anti-aliased, blurred, sampled, noisy.

The scene is composed on a grid finer than the voxels, slice by slice; blur (Gaussian) and
averaging over the voxel are one separable kernel applied while going down to the voxel grid, so
memory stays near that of the finished volume.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from canalwright.imaging.phantom import RootPhantom
from canalwright.imaging.phantom_field import Field
from canalwright.imaging.phantom_shapes import Tube
from canalwright.imaging.scan import Scan

__all__ = ["SIGMA_PER_FWHM", "render"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]

SIGMA_PER_FWHM = 1.0 / (2.0 * np.sqrt(2.0 * np.log(2.0)))

_GAP_MM = 0.2
_LAMINA_MM = 0.3


@dataclass(frozen=True, eq=False)
class _Coverage:
    """How much of each fine cell a lumen fills, over the box that holds it (index x, y, z)."""

    low: NDArray[np.int64]
    filled: Volume


def render(
    spec: RootPhantom,
    voxel_mm: float = 0.125,
    fwhm_mm: float = 0.25,
    snr: float = 20.0,
    seed: int = 0,
    *,
    noise_correlation_voxels: float = 0.0,
    texture: float = 0.0,
    fine_mm: float = 0.042,
    shift_mm: ArrayLike = (0.0, 0.0, 0.0),
) -> Scan:
    """Image a phantom.

    Parameters
    ----------
    spec : RootPhantom
    voxel_mm : float
        Edge of the cubic voxels.
    fwhm_mm : float
        Full width at half maximum of the Gaussian blur, before averaging over the voxel.
    snr : float
        Dentin minus lumen, over the standard deviation of the noise; infinite for none.
    seed : int
        Together with ``spec.seed`` fixes the noise.
    noise_correlation_voxels : float
        Standard deviation of the Gaussian that correlates the noise; 0 for white noise.
    texture : float
        Standard deviation of bone texture outside the tooth, in gray values.
    fine_mm : float
        Largest cell of the grid the scene is composed on.
    shift_mm : array_like, shape (3,)
        Moves the voxel grid against the phantom.

    Returns
    -------
    Scan
        Oriented, axes along LPS, marked as invented.
    """
    per_voxel = max(1, int(np.ceil(voxel_mm / fine_mm - 1e-9)))
    cell_mm = voxel_mm / per_voxel
    low = np.asarray(spec.low_mm) + np.asarray(shift_mm, float)
    count = np.ceil((np.asarray(spec.high_mm) - low) / voxel_mm).astype(int)
    image = _composed(spec, low, count, per_voxel, cell_mm, fwhm_mm * SIGMA_PER_FWHM)
    origin = low + voxel_mm / 2.0
    rng = np.random.default_rng([spec.seed, seed])
    if texture > 0.0 and spec.surround == "bone":
        image += _texture(spec.outside, image.shape, origin, voxel_mm, texture, rng)
    if np.isfinite(snr):
        scale = (spec.gray.dentin - spec.gray.lumen) / snr
        image += scale * _noise(image.shape, noise_correlation_voxels, rng)
    return Scan(
        voxels=image,
        spacing_mm=(voxel_mm, voxel_mm, voxel_mm),
        origin_mm=origin,
        oriented=True,
        source=spec.name,
        digest=hashlib.sha256(image.tobytes()).hexdigest(),
        invented=True,
    )


def _composed(
    spec: RootPhantom,
    low: Floats,
    count: NDArray[np.int64],
    per_voxel: int,
    cell_mm: float,
    sigma_mm: float,
) -> Volume:
    origin = low + cell_mm / 2.0
    lumens = [
        _coverage(tube, canal.faded_below_mm, origin, cell_mm, count * per_voxel)
        for canal in spec.canals
        for tube in (canal.tube, *canal.parts)
    ]
    kernel = _kernel(sigma_mm / cell_mm, per_voxel)
    nx, ny, nz = (int(n) for n in count)
    slices = np.empty((nz * per_voxel, ny, nx), np.float32)
    fine = np.empty((ny * per_voxel, nx * per_voxel), np.float32)
    for k in range(len(slices)):
        _compose_slice(spec, k, origin, cell_mm, lumens, fine)
        half = _reduced_rows(fine, kernel, per_voxel, ny)
        slices[k] = _reduced_rows(np.ascontiguousarray(half.T), kernel, per_voxel, nx).T
    flat = _reduced_rows(slices.reshape(len(slices), -1), kernel, per_voxel, nz)
    return flat.reshape(nz, ny, nx)


def _kernel(sigma_cells: float, per_voxel: int) -> NDArray[np.float32]:
    """Gaussian ⊗ box of one voxel, sampled on the fine grid about the voxel's first cell."""
    reach = int(np.ceil(4.0 * sigma_cells)) if sigma_cells > 0.0 else 0
    offset = np.arange(-reach, reach + 1)
    gauss = np.exp(-0.5 * (offset / max(sigma_cells, 1e-6)) ** 2)
    both = np.convolve(gauss / gauss.sum(), np.full(per_voxel, 1.0 / per_voxel))
    return both.astype(np.float32)


@njit(cache=True, fastmath=True)
def _reduced_rows(array: Volume, kernel: NDArray[np.float32], per_voxel: int, rows: int) -> Volume:
    """Filter and thin a matrix along its first axis; border values are held."""
    out = np.zeros((rows, array.shape[1]), np.float32)
    reach = (len(kernel) - per_voxel) // 2
    for i in range(rows):
        for k in range(len(kernel)):
            source = min(max(i * per_voxel - reach + k, 0), array.shape[0] - 1)
            weight = kernel[k]
            for j in range(array.shape[1]):
                out[i, j] += weight * array[source, j]
    return out


def _compose_slice(
    spec: RootPhantom,
    k: int,
    origin: Floats,
    cell_mm: float,
    lumens: list[_Coverage],
    fine: Volume,
) -> None:
    """Fill one fine slice with gray values."""
    height_mm = origin[2] + cell_mm * k
    lumen = np.zeros_like(fine)
    for cover in lumens:
        layer = k - cover.low[2]
        if 0 <= layer < len(cover.filled):
            _lay(lumen, cover.filled[layer], int(cover.low[0]), int(cover.low[1]))
    if spec.chamber is not None:
        _lay_chamber(spec, height_mm, origin, cell_mm, lumen)
    gray = spec.gray
    above = spec.surround == "air" or height_mm > spec.crest_mm
    outside = (gray.air,) * 3 if above else (gray.gap, gray.lamina, gray.bone)
    field = spec.outside
    _shade(
        fine,
        _field_slice(field, height_mm),
        (origin[:2] - field.origin_mm[:2]) / field.step_mm,
        cell_mm / field.step_mm,
        lumen,
        cell_mm,
        np.array([gray.dentin, gray.lumen, *outside], np.float32),
    )


def _field_slice(field: Field, height_mm: float) -> Volume:
    place = (height_mm - field.origin_mm[2]) / field.step_mm
    low = int(np.clip(np.floor(place), 0, len(field.values) - 2))
    share = np.float32(np.clip(place - low, 0.0, 1.0))
    return np.asarray((1 - share) * field.values[low] + share * field.values[low + 1], np.float32)


def _lay_chamber(
    spec: RootPhantom, height_mm: float, origin: Floats, cell_mm: float, lumen: Volume
) -> None:
    chamber = spec.chamber
    if chamber is None or abs(height_mm - chamber.center_mm[2]) > chamber.half_mm[2] + cell_mm:
        return
    half = np.array(chamber.half_mm[:2]) + cell_mm
    low = np.floor((np.array(chamber.center_mm[:2]) - half - origin[:2]) / cell_mm).astype(int)
    size = np.ceil(2.0 * half / cell_mm).astype(int) + 1
    low = np.maximum(low, 0)
    x = origin[0] + cell_mm * np.arange(low[0], min(low[0] + size[0], lumen.shape[1]))
    y = origin[1] + cell_mm * np.arange(low[1], min(low[1] + size[1], lumen.shape[0]))
    grid = np.stack(
        [
            np.broadcast_to(x[None, :], (len(y), len(x))),
            np.broadcast_to(y[:, None], (len(y), len(x))),
            np.full((len(y), len(x)), height_mm),
        ],
        axis=-1,
    )
    filled = np.clip(0.5 - chamber.signed_distance_mm(grid) / cell_mm, 0.0, 1.0)
    _lay(lumen, filled.astype(np.float32), int(low[0]), int(low[1]))


def _lay(lumen: Volume, layer: Volume, low_x: int, low_y: int) -> None:
    part = lumen[low_y : low_y + layer.shape[0], low_x : low_x + layer.shape[1]]
    np.maximum(part, layer, out=part)


@njit(cache=True)
def _shade(
    out: Volume,
    field: Volume,
    start: Floats,
    step: float,
    lumen: Volume,
    cell_mm: float,
    gray: NDArray[np.float32],
) -> None:
    """Layers by distance from the surface: tooth, gap, lamina, bone; the lumen inside the tooth."""
    dentin, hollow, gap, lamina, bone = gray
    for j in range(out.shape[0]):
        py = start[1] + step * j
        iy = min(max(int(py), 0), field.shape[0] - 2)
        ty = min(max(py - iy, 0.0), 1.0)
        for i in range(out.shape[1]):
            px = start[0] + step * i
            ix = min(max(int(px), 0), field.shape[1] - 2)
            tx = min(max(px - ix, 0.0), 1.0)
            upper = (1.0 - tx) * field[iy, ix] + tx * field[iy, ix + 1]
            lower = (1.0 - tx) * field[iy + 1, ix] + tx * field[iy + 1, ix + 1]
            distance = ((1.0 - ty) * upper + ty * lower) / cell_mm
            tooth = min(max(0.5 - distance, 0.0), 1.0)
            in_gap = min(max(0.5 - distance + _GAP_MM / cell_mm, 0.0), 1.0)
            in_lamina = min(max(0.5 - distance + (_GAP_MM + _LAMINA_MM) / cell_mm, 0.0), 1.0)
            around = bone + (lamina - bone) * in_lamina + (gap - lamina) * in_gap
            inside = dentin + (hollow - dentin) * lumen[j, i]
            out[j, i] = around + (inside - around) * tooth


def _coverage(
    tube: Tube, faded_below_mm: float, origin: Floats, cell_mm: float, count: NDArray[np.int64]
) -> _Coverage:
    keep = tube.level_mm >= (faded_below_mm if faded_below_mm > 0.0 else -np.inf)
    points, half = tube.points_mm[keep], np.stack([tube.wide_mm, tube.narrow_mm], 1)[keep] / 2.0
    reach = half.max() + 3.0 * cell_mm
    low = np.maximum(np.floor((points.min(axis=0) - reach - origin) / cell_mm), 0).astype(int)
    high = np.minimum(np.ceil((points.max(axis=0) + reach - origin) / cell_mm) + 1, count)
    size = np.maximum(high.astype(int) - low, 1)
    wide, narrow = tube.section_axes()
    filled = np.zeros(tuple(size[::-1]), np.float32)
    _stamp(
        filled,
        (points - origin) / cell_mm - low,
        tube.tangent[keep],
        wide[keep],
        narrow[keep],
        _without_ramp(half / cell_mm),
    )
    return _Coverage(low, filled)


def _without_ramp(half_cells: Floats) -> Floats:
    """Half axes that give the right area although the edge is a ramp one cell wide.

    A ramp about the outline of a convex section adds π/12 of a cell to its area.
    """
    return np.sqrt(np.maximum(half_cells**2 - 1.0 / 12.0, 1e-4))


@njit(cache=True)
def _stamp(
    filled: Volume, points: Floats, tangent: Floats, wide: Floats, narrow: Floats, half: Floats
) -> None:
    """Coverage of a tube of elliptic sections; lengths in cells.

    First the nearest sample of the curve for every cell near it, then the distance from that
    sample's ellipse.
    """
    nz, ny, nx = filled.shape
    gap = np.full(filled.shape, np.float32(1e9))
    nearest = np.full(filled.shape, -1, np.int32)
    for i in range(len(points)):
        reach = half[i, 0] + 2.0
        for z in range(max(0, int(points[i, 2] - reach)), min(nz, int(points[i, 2] + reach) + 2)):
            dz = z - points[i, 2]
            for y in range(
                max(0, int(points[i, 1] - reach)), min(ny, int(points[i, 1] + reach) + 2)
            ):
                dy = y - points[i, 1]
                for x in range(
                    max(0, int(points[i, 0] - reach)), min(nx, int(points[i, 0] + reach) + 2)
                ):
                    dx = x - points[i, 0]
                    square = dx * dx + dy * dy + dz * dz
                    if square < gap[z, y, x]:
                        gap[z, y, x] = square
                        nearest[z, y, x] = i
    for z in range(nz):
        for y in range(ny):
            for x in range(nx):
                i = nearest[z, y, x]
                if i < 0:
                    continue
                dx, dy, dz = x - points[i, 0], y - points[i, 1], z - points[i, 2]
                u = dx * wide[i, 0] + dy * wide[i, 1] + dz * wide[i, 2]
                v = dx * narrow[i, 0] + dy * narrow[i, 1] + dz * narrow[i, 2]
                t = dx * tangent[i, 0] + dy * tangent[i, 1] + dz * tangent[i, 2]
                a, b = half[i, 0], half[i, 1]
                rho = np.sqrt((u / a) ** 2 + (v / b) ** 2)
                if rho < 1e-6:
                    distance = -min(a, b)
                else:
                    slope = np.sqrt((u / (a * a)) ** 2 + (v / (b * b)) ** 2) / rho
                    distance = (rho - 1.0) / slope
                if (i == 0 and t < 0.0) or (i == len(points) - 1 and t > 0.0):
                    distance = max(distance, abs(t))
                filled[z, y, x] = min(max(0.5 - distance, 0.0), 1.0)


def _noise(shape: tuple[int, ...], correlation: float, rng: np.random.Generator) -> Volume:
    noise = rng.standard_normal(shape, np.float32)
    if correlation > 0.0:
        from scipy.ndimage import gaussian_filter

        noise = gaussian_filter(noise, correlation)
        noise /= noise.std()
    return noise


def _texture(
    field: Field,
    shape: tuple[int, ...],
    origin: Floats,
    voxel_mm: float,
    amount: float,
    rng: np.random.Generator,
) -> Volume:
    """Smooth random bone texture that starts 0.6 mm outside the tooth."""
    from scipy.ndimage import gaussian_filter

    grain = gaussian_filter(rng.standard_normal(shape, np.float32), 0.35 / voxel_mm)
    z, y, x = np.meshgrid(
        *(origin[k] + voxel_mm * np.arange(shape[2 - k]) for k in (2, 1, 0)), indexing="ij"
    )
    clear = field.at(np.stack([x, y, z], axis=-1))
    return np.asarray(
        grain * (amount / grain.std()) * np.clip((clear - 0.6) / 0.3, 0.0, 1.0), np.float32
    )
