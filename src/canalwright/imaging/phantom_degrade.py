"""Defects of real scans put on phantom images: ghost, shading, streak, noise, sharpening.

They are stand-ins of assumed strength that stress a measurement; none is a model of a scanner.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.scan import Scan

__all__ = ["Degradation", "degraded"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Degradation:
    """What is done to a noise-free image, in this order.

    Attributes
    ----------
    ghost_share : float
        Share of a copy displaced by `ghost_mm` that is mixed in (movement of the patient).
    ghost_mm : float
    shading_share : float
        Gray changes linearly across the volume by this share of the contrast.
    streak_share : float
        Depth of a dark band across the volume, over the contrast (beam hardening by metal).
    streak_mm : float
        Standard deviation of the band.
    snr : float
        Contrast over the standard deviation of noise.
    noise_correlation_voxels : float
        Standard deviation of the Gaussian that correlates the noise.
    sharpening : float
        Share of the difference from a Gaussian-smoothed image (1 voxel) that is added, noise
        included (reconstruction kernel).
    """

    ghost_share: float = 0.0
    ghost_mm: float = 0.3
    shading_share: float = 0.0
    streak_share: float = 0.0
    streak_mm: float = 1.0
    snr: float = np.inf
    noise_correlation_voxels: float = 0.0
    sharpening: float = 0.0


def degraded(scan: Scan, how: Degradation, contrast: float, seed: int) -> Scan:
    """Return a scan with defects in directions drawn from `seed`.

    Parameters
    ----------
    scan : Scan
        Best rendered without noise.
    how : Degradation
    contrast : float
        Dentin minus lumen, gray values.
    seed : int
    """
    from scipy.ndimage import gaussian_filter, shift

    rng = np.random.default_rng([77, seed])
    image = np.asarray(scan.voxels, np.float32).copy()
    direction = _unit(rng)
    if how.ghost_share > 0.0:
        moved = shift(image, direction * how.ghost_mm / scan.spacing_mm, order=1, mode="nearest")
        image += how.ghost_share * (moved - image)
    place = _along(scan, _unit(rng))
    image += (how.shading_share * contrast / max(float(np.ptp(place)), 1e-6)) * place
    if how.streak_share > 0.0:
        across = _along(scan, _unit(rng))
        image -= how.streak_share * contrast * np.exp(-0.5 * (across / how.streak_mm) ** 2)
    if np.isfinite(how.snr):
        noise = rng.standard_normal(image.shape, np.float32)
        if how.noise_correlation_voxels > 0.0:
            noise = gaussian_filter(noise, how.noise_correlation_voxels)
            noise /= noise.std()
        image += contrast / how.snr * noise
    if how.sharpening > 0.0:
        image += how.sharpening * (image - gaussian_filter(image, 1.0))
    digest = hashlib.sha256(image.tobytes()).hexdigest()
    return replace(scan, voxels=image.astype(np.float32), digest=digest)


def _unit(rng: np.random.Generator) -> Floats:
    vector = rng.standard_normal(3)
    return np.asarray(vector / np.linalg.norm(vector), float)


def _along(scan: Scan, direction: Floats) -> NDArray[np.float32]:
    """Distance of every voxel from the volume's center along a direction (z, y, x), in mm."""
    out = np.zeros(scan.shape, np.float32)
    for axis in range(3):
        count = scan.shape[axis]
        ramp = (np.arange(count) - (count - 1) / 2.0) * scan.spacing_mm[axis] * direction[axis]
        shape = [1, 1, 1]
        shape[axis] = count
        out += ramp.reshape(shape).astype(np.float32)
    return out
