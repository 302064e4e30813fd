"""Invented radiographs of one root with one canal, of which everything is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from canalwright.imaging.radiograph import Radiograph
from canalwright.imaging.rulers import Ruler, RulerOrigin, stated_scale

SCALE_MM_PER_PX = 0.03
SHAPE = (620, 400)


@dataclass(frozen=True, eq=False)
class Bent:
    """A straight coronal part, then an arc to the terminus, in the picture's plane in mm."""

    angle_deg: float = 30.0
    radius_mm: float = 12.0
    length_mm: float = 14.0
    orifice_mm: tuple[float, float] = (6.0, 2.0)

    def points_mm(self, count: int = 400) -> np.ndarray:
        """From the orifice down to the terminus."""
        arc = np.radians(self.angle_deg) * self.radius_mm
        s = np.linspace(0.0, self.length_mm, count)
        turn = np.clip(s - (self.length_mm - arc), 0.0, None) / self.radius_mm
        x = self.radius_mm * (1.0 - np.cos(turn))
        y = np.minimum(s, self.length_mm - arc) + self.radius_mm * np.sin(turn)
        return np.column_stack([x, y]) + self.orifice_mm

    def clicks_px(self, count: int, sd_px: float = 0.0, seed: int = 0) -> np.ndarray:
        points = self.points_mm(1001)[np.linspace(0, 1000, count).astype(int)] / SCALE_MM_PER_PX
        return points + np.random.default_rng(seed).normal(0.0, sd_px, points.shape)


def picture(
    line_mm: np.ndarray,
    width_mm: Callable[[np.ndarray], np.ndarray] | float = 0.5,
    *,
    root_mm: float = 4.0,
    noise: float = 2.0,
    blur_sigma_mm: float = 0.06,
    canal: bool = True,
    seed: int = 0,
    scale: float = SCALE_MM_PER_PX,
    shape: tuple[int, int] = SHAPE,
) -> np.ndarray:
    """Return gray values: 25 per mm of dentin, less where the canal's chord is missing."""
    fine = 0.005
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line_mm, axis=0), axis=1))])
    s = np.arange(0.0, arc[-1], fine)
    dense = np.column_stack([np.interp(s, arc, line_mm[:, k]) for k in (0, 1)])
    y, x = np.mgrid[: shape[0], : shape[1]] * scale
    away, at = cKDTree(dense).query(np.column_stack([x.ravel(), y.ravel()]))
    away, along = away.reshape(shape), s[at].reshape(shape)
    width = width_mm(along) if callable(width_mm) else np.full(shape, width_mm)
    inside = (along > fine) & (along < s[-1] - fine)
    root = 2.0 * np.sqrt(np.maximum((root_mm / 2.0) ** 2 - away**2, 0.0))
    missing = 2.0 * np.sqrt(np.maximum((width / 2.0) ** 2 - away**2, 0.0)) * inside
    gray = 60.0 + 25.0 * (root - missing if canal else root)
    random = np.random.default_rng(seed)
    grain = gaussian_filter(random.normal(size=shape), 1.5)
    blurred = gaussian_filter(gray, blur_sigma_mm / scale)
    return (blurred + noise * grain / grain.std()).astype(np.float32)


def radiograph(pixels: np.ndarray, *, scaled: bool = True, scale: float = SCALE_MM_PER_PX):
    ruler = (
        stated_scale(scale)
        if scaled
        else Ruler(None, None, RulerOrigin.NONE, "a picture file states no scale")
    )
    return Radiograph(pixels, ruler, source="invented.png", digest="00" * 32, invented=True)
