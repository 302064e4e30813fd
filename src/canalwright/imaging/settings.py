"""Settings of the measurement, with defaults for cone-beam scans of teeth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["MeasureSettings"]


@dataclass(frozen=True, slots=True)
class MeasureSettings:
    """How a canal is measured. Lengths in mm.

    Attributes
    ----------
    level_step_mm : float
        Distance of the levels along the canal.
    margin_mm : float
        Tissue kept round the two points.
    trust_mm : float
        How far refinement may move the centerline from the traced path; without it a narrowed
        apex drifts into a neighboring dark region.
    axial_sd_mm : float
        Sections are averaged along the canal with a Gaussian of this standard deviation.
    curvature_change_per_mm3 : float
        Expected square of the change of curvature along 1 mm of canal, 1/mm² per mm (assumed).
        A bend of 7 mm radius that begins and ends abruptly has 0.003 on average over a canal of
        12 mm, but all of it in two places; the default leaves room for that, so that sharp bends
        are not blunted where centers are poor.
    size_wave_mm : float
        Wavelength that smoothing of sizes halves.
    lumen, dentin, sigma_mm : float or None
        Gray value of the lumen and of dentin, and standard deviation of the image's blur, if
        known; estimated from the image otherwise.
    ray_end_mm : float
        How far from the centerline the outer surface is looked for.
    terminus : str
        ``"clicked"``: level 0 is the foot of the given point. ``"exit"``: level 0 is where the
        canal leaves the root, found again from a point up to about 1 mm off; the given point is
        kept, and said so, where no surface is found.
    """

    level_step_mm: float = 0.1
    margin_mm: float = 4.5
    trust_mm: float = 0.35
    axial_sd_mm: float = 0.15
    curvature_change_per_mm3: float = 0.02
    size_wave_mm: float = 1.35
    lumen: float | None = None
    dentin: float | None = None
    sigma_mm: float | None = None
    ray_end_mm: float = 4.5
    terminus: Literal["clicked", "exit"] = "clicked"
