"""Sizes of the canal along its centerline: calibrated fits of blurred ellipses, smoothed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.curves import frame_along, smoothing_weight
from canalwright.imaging.gray_levels import RoughLevels, dentin_weights, ring_dentin
from canalwright.imaging.sampling import Crop, plane_samples
from canalwright.imaging.section_fit import CENTER, SectionFits, fit_sections
from canalwright.imaging.settings import MeasureSettings

__all__ = [
    "Calibration",
    "Sections",
    "axial_sd_mm",
    "calibrated",
    "center_sd_mm",
    "centers_of",
    "covered_share",
    "cut_sections",
    "fitted",
    "parameter_covariances",
    "section_noise",
    "size_penalty",
    "widened",
    "widest_mm",
]

Floats = NDArray[np.float64]

_SAMPLE_MM = 0.07
_INFINITE = np.inf

# Blur of a dental scan before the voxel (full width at half maximum 0.25 mm; assumed) and how far
# it may be off when the canal cannot tell.
_BLUR_MM, _GUESS_SD = 0.106, 0.15
_MICRO_BELOW_MM = 0.07
_FITS_WELL, _LEAST_FITTING, _LEAST_FITTING_SHARE = 1.25, 6, 0.6
_ALIKE = 0.45


@dataclass(frozen=True, slots=True)
class Calibration:
    """Gray value of the lumen and blur, with standard deviations.

    Attributes
    ----------
    lumen, lumen_sd : float
        Gray values.
    sigma_mm, sigma_sd_mm : float
        Standard deviation of the Gaussian that blurs the sections, voxel included.
    noise : float
        Standard deviation of a sample of the averaged sections, gray values.
    """

    lumen: float
    lumen_sd: float
    sigma_mm: float
    sigma_sd_mm: float
    noise: float


@dataclass(frozen=True, eq=False)
class Sections:
    """Averaged sections normal to the centerline.

    Attributes
    ----------
    points_mm, first, second : ndarray, shape (n, 3)
    gray : ndarray, shape (n, count, count)
    half_mm : float
    dentin : ndarray, shape (n,)
        Gray value of dentin round the canal.
    radius_mm : ndarray, shape (n,)
        Rough radius of the lumen.
    """

    points_mm: Floats
    first: Floats
    second: Floats
    gray: Floats
    half_mm: float
    dentin: Floats
    radius_mm: Floats

    def part(self, keep: slice | NDArray[np.int64]) -> Sections:
        """Return some of the levels."""
        return replace(
            self,
            points_mm=self.points_mm[keep],
            first=self.first[keep],
            second=self.second[keep],
            gray=self.gray[keep],
            dentin=self.dentin[keep],
            radius_mm=self.radius_mm[keep],
        )

    @property
    def gray_shift(self) -> Floats:
        """How far gray is shifted at each level; shading moves dentin and lumen alike."""
        return np.asarray(self.dentin - np.median(self.dentin), float)

    @property
    def step_mm(self) -> float:
        """Distance of the samples in a section."""
        return float(2.0 * self.half_mm / (self.gray.shape[1] - 1))


def cut_sections(
    crop: Crop,
    line: Floats,
    rough: RoughLevels,
    settings: MeasureSettings,
    radius_mm: Floats | None = None,
    reach_mm: float | None = None,
) -> Sections:
    """Sample sections along a line, average them along it and find dentin's gray value.

    Parameters
    ----------
    crop : Crop
    line : ndarray, shape (n, 3)
    rough : RoughLevels
    settings : MeasureSettings
    radius_mm : ndarray, shape (n,), optional
        Rough radius of the lumen, if already known.
    reach_mm : float, optional
        Largest half width of the lumen, if already known.
    """
    _, first, second = frame_along(line)
    half = 1.0 if reach_mm is None else float(np.clip(1.15 * reach_mm + 0.45, 0.9, 2.5))
    raw = plane_samples(crop, line, first, second, half, _sample_count(crop, half))
    gray = _averaged(raw, settings.axial_sd_mm / settings.level_step_mm)
    radius = _rough_radius_mm(gray, half, rough) if radius_mm is None else radius_mm
    if settings.dentin is not None:
        dentin = np.full(len(line), settings.dentin)
    else:
        dentin = ring_dentin(gray, half, radius, rough.contrast, settings.level_step_mm)
    return Sections(line, first, second, gray, half, dentin, radius)


def widened(
    crop: Crop,
    sections: Sections,
    levels: NDArray[np.int64],
    half_mm: float,
    axial_sd_levels: float,
) -> tuple[Sections, int]:
    """Cut the sections of some levels again, wider; also return the first level cut."""
    pad = int(np.ceil(4.0 * axial_sd_levels))
    first = max(int(levels.min()) - pad, 0)
    cut = sections.part(slice(first, int(levels.max()) + pad + 1))
    count = _sample_count(crop, half_mm)
    raw = plane_samples(crop, cut.points_mm, cut.first, cut.second, half_mm, count)
    return replace(cut, gray=_averaged(raw, axial_sd_levels), half_mm=half_mm), first


def _sample_count(crop: Crop, half_mm: float) -> int:
    micro = crop.voxel_mm < _MICRO_BELOW_MM
    return 2 * round(half_mm / (0.7 * crop.voxel_mm if micro else _SAMPLE_MM)) + 1


def _averaged(raw: Floats, width: float) -> Floats:
    """Average neighboring sections with a Gaussian; places outside the volume do not count."""
    from scipy.ndimage import gaussian_filter1d

    if width < 0.1:
        return raw
    known = np.isfinite(raw)
    total = gaussian_filter1d(np.where(known, raw, 0.0), width, axis=0, mode="nearest")
    if known.all():
        return np.asarray(total, float)
    share = gaussian_filter1d(known.astype(float), width, axis=0, mode="nearest")
    return np.where(known, total / np.maximum(share, 1e-6), np.nan)


def _rough_radius_mm(gray: Floats, half_mm: float, rough: RoughLevels) -> Floats:
    """Radius of the circle whose area is the gray missing near the center."""
    axis = np.linspace(-half_mm, half_mm, gray.shape[1])
    near = np.hypot(axis[:, None], axis[None, :]) < 0.75
    missing = (rough.dentin - np.where(np.isfinite(gray), gray, rough.dentin)) / rough.contrast
    area = np.sum(np.clip(missing, 0.0, 1.1) * near, axis=(1, 2)) * (axis[1] - axis[0]) ** 2
    return np.asarray(np.clip(np.sqrt(np.maximum(area, 0.0) / np.pi), 0.08, 0.6), float)


def calibrated(
    sections: Sections, voxel_mm: float, rough: RoughLevels, settings: MeasureSettings
) -> Calibration:
    """Estimate lumen and blur from the canal itself.

    Both come from the widest quarter of the levels, where lumen and edge are seen apart; levels
    that no ellipse fits do not count. If none is left, the first guesses stand.
    """
    guess = settings.sigma_mm or _likely_sigma_mm(voxel_mm)
    start = _start(sections, rough.lumen, guess)
    weights = _weights(sections, rough.contrast, guess)
    noise = max(rough.noise * 0.4, 0.01 * rough.contrast)
    wide = _widest(sections)
    prior = _prior(rough.contrast, dentin_sd=0.1)
    prior[6] = 0.0 if settings.lumen is not None else rough.lumen_sd
    prior[7] = 0.0 if settings.sigma_mm is not None else 0.35
    if settings.lumen is not None:
        start[:, 6] = settings.lumen + sections.gray_shift
    fits = fit_sections(
        sections.gray[wide], weights[wide], sections.half_mm, start[wide], prior, noise, 15
    )
    typical = section_noise(sections.part(wide), fits, weights[wide], guess, noise)
    deep = fits.parameters[:, 5] - fits.parameters[:, 6] > 0.4 * rough.contrast
    fit_well = deep & (fits.residual < _FITS_WELL * typical)
    if fit_well.sum() < max(_LEAST_FITTING, _LEAST_FITTING_SHARE * len(wide)):
        return Calibration(
            float(np.median(start[:, 6])), float(prior[6]), guess, _GUESS_SD * guess, typical
        )
    fits, wide = fits.part(fit_well), wide[fit_well]
    noise = float(np.median(fits.residual))
    shared = fits.parameters[:, 6:8].copy()
    shared[:, 0] -= sections.gray_shift[wide]
    expected = np.array([start[0, 6] - sections.gray_shift[0], start[0, 7]])
    grain = _samples_per_grain(sections, rough, settings)
    mean, spread = _joint(fits, shared, expected, prior, noise, grain)
    lumen, sigma = float(mean[0]), float(np.exp(mean[1]))
    return Calibration(lumen, float(spread[0]), sigma, float(spread[1]) * sigma, noise)


def _likely_sigma_mm(voxel_mm: float) -> float:
    """Return a first guess of the blur: that of cone-beam scans, or of micro-CT's small voxels."""
    blur = _BLUR_MM if voxel_mm >= _MICRO_BELOW_MM else 0.6 * voxel_mm
    return float(np.hypot(blur, 0.4 * voxel_mm))


def _widest(sections: Sections) -> NDArray[np.int64]:
    """Choose the widest quarter of the levels, among those with a dark center."""
    middle = sections.gray.shape[1] // 2
    core = sections.gray[:, middle - 1 : middle + 2, middle - 1 : middle + 2].mean(axis=(1, 2))
    dark = np.nan_to_num(sections.dentin - core)
    width = np.where(dark > 0.5 * dark.max(), sections.radius_mm, 0.0)
    return np.argsort(width)[-max(12, len(width) // 4) :]


def _samples_per_grain(sections: Sections, rough: RoughLevels, settings: MeasureSettings) -> float:
    """How many correlated samples, across and along the canal, share one grain of noise."""
    across = max(1.0, (rough.grain_mm / sections.step_mm) ** 2)
    axial = 2.0 * np.sqrt(np.pi) * axial_sd_mm(rough, settings)
    return float(across * max(1.0, axial / settings.level_step_mm))


def axial_sd_mm(rough: RoughLevels, settings: MeasureSettings) -> float:
    """Width over which averaging and the noise's own grain tie levels together."""
    return float(np.hypot(settings.axial_sd_mm, 0.3 * rough.grain_mm))


def _joint(
    fits: SectionFits,
    values: Floats,
    expected: Floats,
    prior_sd: Floats,
    noise: float,
    grain: float,
) -> tuple[Floats, Floats]:
    """Combine what all levels say about lumen and blur, each level's others eliminated.

    Parameters
    ----------
    fits : SectionFits
    values : ndarray, shape (n, 2)
        Lumen (shading taken off) and ln sigma of every level.
    expected : ndarray, shape (2,)
        Center of the prior.
    prior_sd : ndarray, shape (8,)
    noise : float
    grain : float
        Correlated samples per grain of noise: so much less do the levels know together.

    Returns
    -------
    mean, sd : ndarray, shape (2,)
    """
    total, right = np.zeros((2, 2)), np.zeros(2)
    others = [k for k in range(6) if prior_sd[k] > 0.0]
    for value, information in zip(values, fits.information, strict=True):
        own = information[np.ix_(others, others)] + np.diag(
            [(noise / prior_sd[k]) ** 2 + 1e-9 for k in others]
        )
        cross = information[6:8][:, others]
        left = information[6:8, 6:8] - cross @ np.linalg.solve(own, cross.T)
        total += left / (grain * noise**2)
        right += left @ value / (grain * noise**2)
    pull = np.where(prior_sd[6:8] > 0.0, 1.0 / np.maximum(prior_sd[6:8], 1e-9) ** 2, 1e12)
    matrix = total + np.diag(pull)
    mean = np.linalg.solve(matrix, right + pull * expected)
    return mean, np.sqrt(np.diag(np.linalg.inv(matrix)))


def fitted(
    sections: Sections, calibration: Calibration, rough: RoughLevels
) -> tuple[SectionFits, Floats]:
    """Fit size, shape and center at every level; also return the weights used."""
    start = _start(sections, calibration.lumen, calibration.sigma_mm)
    weights = _weights(sections, rough.contrast, calibration.sigma_mm)
    prior = _prior(rough.contrast, dentin_sd=0.04)
    fits = fit_sections(sections.gray, weights, sections.half_mm, start, prior, calibration.noise)
    return fits, weights


def _weights(sections: Sections, contrast: float, sigma_mm: float) -> Floats:
    gray, centers = sections.gray, np.zeros((len(sections.gray), 2))
    return dentin_weights(gray, sections.half_mm, sections.dentin, contrast, sigma_mm, centers)


def _start(sections: Sections, lumen: float, sigma_mm: float) -> Floats:
    start = np.zeros((len(sections.gray), 8))
    start[:, 2] = np.log(sections.radius_mm)
    start[:, 3] = 0.05
    start[:, 5] = sections.dentin
    start[:, 6] = lumen + sections.gray_shift
    start[:, 7] = np.log(sigma_mm)
    return start


def _prior(contrast: float, dentin_sd: float) -> Floats:
    """Return standard deviations of the priors; lumen and blur fixed."""
    return np.array([0.15, 0.15, _INFINITE, 0.5, 0.5, dentin_sd * contrast, 0.0, 0.0])


def size_penalty(settings: MeasureSettings) -> float:
    """Return the penalty of the smoothing of sizes along the canal."""
    return smoothing_weight(settings.size_wave_mm, settings.level_step_mm, 2)


def centers_of(fits: SectionFits) -> Floats:
    """Return the fitted centers, shape (n, 2), limited to 0.25 mm."""
    return np.clip(fits.parameters[:, CENTER], -0.25, 0.25)


def covered_share(sections: Sections, weights: Floats, contrast: float) -> Floats:
    """Return how much of the surroundings of the canal is usable dentin, 0 to 1, per level.

    The surroundings reach from just outside the lumen to 0.5 mm beyond it. A section beyond the
    root's end has no dentin there, whatever it holds.
    """
    axis = np.linspace(-sections.half_mm, sections.half_mm, sections.gray.shape[1])
    beyond = np.hypot(axis[:, None], axis[None, :])[None] - sections.radius_mm[:, None, None]
    near = (beyond > 0.1) & (beyond < 0.5)
    alike = np.abs(sections.gray - np.median(sections.dentin)) < _ALIKE * contrast
    usable = np.where(near & alike, weights, 0.0).sum(axis=(1, 2))
    return np.asarray(usable / np.maximum(near.sum(axis=(1, 2)), 1), float)


def widest_mm(fits: SectionFits) -> float:
    """Return the largest half width of the fitted ellipses (95th percentile)."""
    spread = np.hypot(fits.parameters[:, 3], fits.parameters[:, 4])
    return float(np.percentile(np.exp(fits.parameters[:, 2] + 0.5 * spread), 95.0))


def section_noise(
    sections: Sections, fits: SectionFits, weights: Floats, sigma_mm: float, otherwise: float
) -> float:
    """Return the noise of the averaged sections, read from dentin away from the canal."""
    axis = np.linspace(-sections.half_mm, sections.half_mm, sections.gray.shape[1])
    distance = np.hypot(axis[:, None], axis[None, :])
    spread = np.hypot(fits.parameters[:, 3], fits.parameters[:, 4])
    reach = np.exp(fits.parameters[:, 2] + 0.5 * spread) + 2.5 * sigma_mm
    away = (weights > 0.9) & (distance[None] > reach[:, None, None])
    left = (sections.gray - fits.parameters[:, 5][:, None, None])[away]
    if len(left) < 200:
        return otherwise
    return float(1.4826 * np.median(np.abs(left - np.median(left))))


def parameter_covariances(
    fits: SectionFits, sections: Sections, calibration: Calibration, grain_mm: float
) -> Floats:
    """Return the covariance of center, ln m, q and dentin per level, shape (n, 6, 6).

    Samples lie closer than the grain of the noise, so they are correlated: the variance grows by
    the number of samples per grain, less where the grain is not small against the canal's image.
    """
    across = max(1.0, (grain_mm / sections.step_mm) ** 2)
    noise = np.maximum(fits.residual, 0.5 * calibration.noise)
    grain_sd = grain_mm / (2.0 * np.sqrt(np.pi))
    out = np.empty((len(fits.parameters), 6, 6))
    prior = np.diag([1e-9, 1e-9, 1e-9, 4.0, 4.0, 1e-9])
    for i, information in enumerate(fits.information):
        blob = calibration.sigma_mm**2 + 0.25 * np.exp(2.0 * fits.parameters[i, 2])
        variance = noise[i] ** 2 * max(1.0, across * blob / (blob + grain_sd**2))
        out[i] = np.linalg.pinv(information[:6, :6] / variance + prior)
    return out


def center_sd_mm(
    fits: SectionFits, sections: Sections, calibration: Calibration, grain_mm: float
) -> Floats:
    """Return the standard deviation of the fitted center along one axis, at most 1 mm."""
    covariance = parameter_covariances(fits, sections, calibration, grain_mm)
    return np.minimum(np.sqrt(0.5 * (covariance[:, 0, 0] + covariance[:, 1, 1])), 1.0)
