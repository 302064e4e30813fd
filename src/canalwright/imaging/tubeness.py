"""Dark-tube filter: how much a place looks like the inside of a dark tube.

The eigenvalues of the Hessian of a Gaussian-smoothed image tell tubes, sheets and blobs apart;
in a dark tube two of them are large and positive and the third is near zero :cite:`sato1998`.
The smaller of the two large ones is used, scaled by the squared width of the Gaussian, so that
sheets (the periodontal gap) give nothing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["Box", "gaussian_smoothed", "scale_space", "tube_response", "tube_value", "with_margin"]

# Curvatures across a tube may differ this many times before its response is reduced.
_SHEET = 2.5

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]
Box = tuple[slice, slice, slice]


def scale_space(values: NDArray[Any], sigmas_voxels: Floats, box: Box | None = None) -> Volume:
    """Return the volume, or a box of it, smoothed at every scale, shape (scales, nz, ny, nx).

    Parameters
    ----------
    values : ndarray, shape (nz, ny, nx)
    sigmas_voxels : ndarray, shape (scales,)
        Ascending.
    box : tuple of slice, optional
        Voxels wanted; the same as cut from the whole, at less memory.
    """
    steps = np.sqrt(np.diff(np.square(sigmas_voxels), prepend=0.0))
    box = box or (slice(0, values.shape[0]), slice(0, values.shape[1]), slice(0, values.shape[2]))
    around, inner = with_margin(box, values.shape, sum(_reach(step) for step in steps))
    current = np.array(values[around], np.float32, order="C")
    out = np.empty((len(steps), *current[inner].shape), np.float32)
    for k, step in enumerate(steps):
        _smooth_in_place(current, float(step))
        out[k] = current[inner]
    return out


def with_margin(box: Box, shape: tuple[int, ...], margin: int) -> tuple[Box, Box]:
    """Return a box grown by a margin as far as the volume goes, and where in it the box lies."""
    low = [max(side.start - margin, 0) for side in box]
    high = [min(side.stop + margin, n) for side, n in zip(box, shape, strict=True)]
    grown = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
    inner = tuple(slice(s.start - a, s.stop - a) for s, a in zip(box, low, strict=True))
    return (grown[0], grown[1], grown[2]), (inner[0], inner[1], inner[2])


def gaussian_smoothed(values: NDArray[Any], sigma_voxels: float) -> Volume:
    """Return the volume filtered with a Gaussian; border values are held."""
    out = np.array(values, np.float32, order="C")
    _smooth_in_place(out, sigma_voxels)
    return out


def _reach(sigma_voxels: float) -> int:
    return int(np.ceil(3.0 * sigma_voxels))


def _smooth_in_place(values: Volume, sigma_voxels: float) -> None:
    if sigma_voxels < 1e-3:
        return
    reach = _reach(sigma_voxels)
    offset = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (offset / sigma_voxels) ** 2)
    kernel = (kernel / kernel.sum()).astype(np.float32)
    _smooth_z(values, kernel)
    _smooth_y(values, kernel)
    _smooth_x(values, kernel)


@njit(cache=True, fastmath=True)
def _smooth_z(values: Volume, kernel: Volume) -> None:
    nz, ny, nx = values.shape
    reach = len(kernel) // 2
    held = np.empty((nz, nx), np.float32)
    for y in range(ny):
        for z in range(nz):
            for x in range(nx):
                held[z, x] = values[z, y, x]
                values[z, y, x] = 0.0
        for z in range(nz):
            for k in range(len(kernel)):
                source = min(max(z + k - reach, 0), nz - 1)
                weight = kernel[k]
                for x in range(nx):
                    values[z, y, x] += weight * held[source, x]


@njit(cache=True, fastmath=True)
def _smooth_y(values: Volume, kernel: Volume) -> None:
    nz, ny, nx = values.shape
    reach = len(kernel) // 2
    held = np.empty((ny, nx), np.float32)
    for z in range(nz):
        for y in range(ny):
            for x in range(nx):
                held[y, x] = values[z, y, x]
                values[z, y, x] = 0.0
        for y in range(ny):
            for k in range(len(kernel)):
                source = min(max(y + k - reach, 0), ny - 1)
                weight = kernel[k]
                for x in range(nx):
                    values[z, y, x] += weight * held[source, x]


@njit(cache=True, fastmath=True)
def _smooth_x(values: Volume, kernel: Volume) -> None:
    nz, ny, nx = values.shape
    reach = len(kernel) // 2
    row = np.empty(nx + 2 * reach, np.float32)
    for z in range(nz):
        for y in range(ny):
            for x in range(nx + 2 * reach):
                row[x] = values[z, y, min(max(x - reach, 0), nx - 1)]
            for x in range(nx):
                values[z, y, x] = 0.0
            for k in range(len(kernel)):
                weight = kernel[k]
                for x in range(nx):
                    values[z, y, x] += weight * row[x + k]


@njit(cache=True)
def _eigenvalues(a: float, b: float, c: float, d: float, e: float, f: float) -> Floats:
    """Eigenvalues, ascending, of [[a, d, e], [d, b, f], [e, f, c]] (trigonometric solution)."""
    out = np.empty(3)
    q = (a + b + c) / 3.0
    off = d * d + e * e + f * f
    spread = (a - q) ** 2 + (b - q) ** 2 + (c - q) ** 2 + 2.0 * off
    if spread < 1e-20:
        out[:] = q
        return out
    p = np.sqrt(spread / 6.0)
    a, b, c, d, e, f = (a - q) / p, (b - q) / p, (c - q) / p, d / p, e / p, f / p
    r = (a * (b * c - f * f) - d * (d * c - f * e) + e * (d * f - b * e)) / 2.0
    angle = np.arccos(min(1.0, max(-1.0, r))) / 3.0
    out[2] = q + 2.0 * p * np.cos(angle)
    out[0] = q + 2.0 * p * np.cos(angle + 2.0 * np.pi / 3.0)
    out[1] = 3.0 * q - out[0] - out[2]
    return out


@njit(cache=True)
def tube_value(stack: Volume, sigmas: Floats, z: int, y: int, x: int) -> float:
    """Return the response at one voxel, maximal over scales, in gray values; 0 at the border."""
    _, nz, ny, nx = stack.shape
    if z < 1 or y < 1 or x < 1 or z > nz - 2 or y > ny - 2 or x > nx - 2:
        return 0.0
    best = 0.0
    for k in range(len(sigmas)):
        center = 2.0 * stack[k, z, y, x]
        xx = stack[k, z, y, x - 1] + stack[k, z, y, x + 1] - center
        yy = stack[k, z, y - 1, x] + stack[k, z, y + 1, x] - center
        zz = stack[k, z - 1, y, x] + stack[k, z + 1, y, x] - center
        if xx + yy + zz <= 0.0:
            continue
        xy = (
            stack[k, z, y + 1, x + 1]
            - stack[k, z, y + 1, x - 1]
            - stack[k, z, y - 1, x + 1]
            + stack[k, z, y - 1, x - 1]
        )
        xz = (
            stack[k, z + 1, y, x + 1]
            - stack[k, z + 1, y, x - 1]
            - stack[k, z - 1, y, x + 1]
            + stack[k, z - 1, y, x - 1]
        )
        yz = (
            stack[k, z + 1, y + 1, x]
            - stack[k, z + 1, y - 1, x]
            - stack[k, z - 1, y + 1, x]
            + stack[k, z - 1, y - 1, x]
        )
        low, middle, high = _eigenvalues(xx, yy, zz, xy / 4.0, xz / 4.0, yz / 4.0)
        if middle <= 0.0:
            continue
        # A blob bends along all three axes: half its response is taken away.
        shape = 1.0 - 0.5 * low / middle if low > 0.0 else 1.0
        # A bent sheet, such as the gap round a root, bends far more one way than the other.
        shape *= min(1.0, _SHEET * middle / high)
        best = max(best, sigmas[k] * sigmas[k] * middle * shape)
    return best


@njit(cache=True)
def tube_response(stack: Volume, sigmas: Floats) -> Volume:
    """Return the response at every voxel, shape (nz, ny, nx)."""
    _, nz, ny, nx = stack.shape
    out = np.zeros((nz, ny, nx), np.float32)
    for z in range(nz):
        for y in range(ny):
            for x in range(nx):
                out[z, y, x] = tube_value(stack, sigmas, z, y, x)
    return out
