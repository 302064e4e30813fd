"""Sizes along the canal, smoothed by their precision, with standard deviations."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.curves import smoothed
from canalwright.imaging.gray_levels import RoughLevels
from canalwright.imaging.section_fit import LEAST_SIZE, MOST_SIZE, SIZE, SectionFits
from canalwright.imaging.settings import MeasureSettings
from canalwright.imaging.sizes import (
    Calibration,
    Sections,
    axial_sd_mm,
    covered_share,
    parameter_covariances,
    size_penalty,
)

__all__ = ["SizeProfile", "size_profile"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Relative precision at which a level's own size counts as much as the smoothness along the canal.
_TYPICAL_SD = 0.03
_LEAST_RADIUS_MM = 0.02

# Expected square of the change of q's slope along 1 mm of canal (assumed: an aspect ratio changes
# from 1 to 1.5 and back within about 10 mm), and the least deviation a section is given.
_SHAPE_CHANGE_PER_MM3, _LEAST_SHAPE_SD = 0.004, 0.01

# Share of the surroundings that must be dentin for a section to count as closed at the apical end,
# and for it to count at all. How much a diameter may change along the canal past the last level
# that is measured: limit and standard deviation of what is carried on (assumed; few canals taper
# by more than 0.15 mm per mm there).
_CLOSED, _ANY_DENTIN, _LEAST_MEASURED = 0.35, 0.05, 10
_CARRIED_PER_MM, _NEAR_BOUND = 0.15, 0.01

# What the model of the section leaves over, as a share of the blur; assumed from phantoms.
_MODEL_SD_SHARE = 0.01


@dataclass(frozen=True, eq=False)
class SizeProfile:
    """Sizes at n levels.

    Attributes
    ----------
    diameter_mm, narrow_mm, wide_mm : ndarray, shape (n,)
    diameter_sd_mm, narrow_sd_mm, wide_sd_mm : ndarray, shape (n,)
    angle_rad : ndarray, shape (n,)
        Angle of the wide axis from direction 0.
    area_sd_share : ndarray, shape (n,)
        Standard deviation of a single level's area over the area: above about 0.5 the canal is
        not seen there.
    deficit_diameter_mm : ndarray, shape (n,)
        Equivalent diameter from the missing gray alone, free of any model of shape and blur; NaN
        where dentin all round was too thin to sum over.
    estimated : ndarray of bool, shape (n,)
        Whether the level's own section has no say: the size is carried on from its neighbors.
    """

    diameter_mm: Floats
    narrow_mm: Floats
    wide_mm: Floats
    diameter_sd_mm: Floats
    narrow_sd_mm: Floats
    wide_sd_mm: Floats
    angle_rad: Floats
    area_sd_share: Floats
    deficit_diameter_mm: Floats
    estimated: Mask

    def part(self, keep: slice) -> SizeProfile:
        """Return the profile at some of the levels."""
        return SizeProfile(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))

    def with_diameter_sd(self, sd_mm: Floats) -> SizeProfile:
        """Return the profile with other deviations of diameters; those of widths follow."""
        wider = sd_mm / np.maximum(self.diameter_sd_mm, 1e-9)
        return replace(
            self,
            diameter_sd_mm=sd_mm,
            narrow_sd_mm=self.narrow_sd_mm * wider,
            wide_sd_mm=self.wide_sd_mm * wider,
        )


def size_profile(
    sections: Sections,
    fits: SectionFits,
    weights: Floats,
    calibration: Calibration,
    rough: RoughLevels,
    settings: MeasureSettings,
) -> SizeProfile:
    """Smooth the fitted sizes and shapes along the canal and state their precision."""
    covariance = parameter_covariances(fits, sections, calibration, rough.grain_mm)[:, 2:5, 2:5]
    log_sd = np.minimum(np.sqrt(covariance[:, 0, 0]), 2.0)
    axial_mm = axial_sd_mm(rough, settings)
    estimated = _estimated(fits, covered_share(sections, weights, rough.contrast))
    seen = ~estimated
    area, area_sd = _smoothed_area(fits.parameters[:, 2], log_sd, seen, axial_mm, settings)
    one_shape_sd = np.minimum(np.sqrt(0.5 * (covariance[:, 1, 1] + covariance[:, 2, 2])), 1.0)
    shape, shape_sd = _smoothed_shape(
        fits.parameters[:, 3:5], one_shape_sd, seen, axial_mm, settings
    )
    size_sd = 0.5 * area_sd / area
    spread = np.hypot(shape[:, 0], shape[:, 1])
    diameter, carried_sd = _carried_on(2.0 * np.sqrt(area), estimated, settings)
    systematic = _measured_only(_systematic_share(fits, calibration), seen)
    model = _MODEL_SD_SHARE * calibration.sigma_mm
    diameter_sd = np.hypot(diameter * np.hypot(size_sd, systematic), np.hypot(model, carried_sd))
    narrow, wide = diameter * np.exp(-0.5 * spread), diameter * np.exp(0.5 * spread)
    return SizeProfile(
        diameter_mm=diameter,
        narrow_mm=narrow,
        wide_mm=wide,
        diameter_sd_mm=diameter_sd,
        narrow_sd_mm=narrow * np.hypot(diameter_sd / diameter, 0.5 * shape_sd),
        wide_sd_mm=wide * np.hypot(diameter_sd / diameter, 0.5 * shape_sd),
        angle_rad=0.5 * np.arctan2(shape[:, 1], shape[:, 0]),
        area_sd_share=2.0 * log_sd,
        deficit_diameter_mm=_deficit_diameter_mm(sections, fits, weights, calibration),
        estimated=estimated,
    )


def _estimated(fits: SectionFits, covered: Floats) -> Mask:
    """Return the levels whose own section says nothing about the canal's size.

    From the apical end on those that are open: beyond and at the exit they hold canal and outside
    alike. Anywhere those without dentin round them and those whose fit grew to its bound.
    """
    size = fits.parameters[:, SIZE]
    unusable = (covered < _ANY_DENTIN) | (size > MOST_SIZE - _NEAR_BOUND)
    closed = ~unusable & (covered >= _CLOSED) & (size > LEAST_SIZE + _NEAR_BOUND)
    first = int(closed.argmax()) if closed.any() else 0
    estimated = unusable | (np.arange(len(covered)) < first)
    enough = np.count_nonzero(~estimated) >= _LEAST_MEASURED
    return estimated if enough else np.zeros(len(covered), bool)


def _carried_on(
    diameter_mm: Floats, estimated: Mask, settings: MeasureSettings
) -> tuple[Floats, Floats]:
    """Keep what is carried on near the measured level next to it; also return its deviation."""
    level = np.arange(len(diameter_mm))
    measured = np.flatnonzero(~estimated)
    nearest = measured[np.abs(level[:, None] - measured[None, :]).argmin(axis=1)]
    limit = _CARRIED_PER_MM * settings.level_step_mm * np.abs(level - nearest)
    known = diameter_mm[nearest]
    least = np.maximum(known - limit, 2.0 * _LEAST_RADIUS_MM)
    return np.clip(diameter_mm, least, np.maximum(known + limit, least)), limit


def _measured_only(values: Floats, measured: Mask) -> Floats:
    """Return the values with those of other levels taken from their measured neighbors."""
    level = np.arange(len(values))
    return np.interp(level, level[measured], values[measured])


def _smoothed_area(
    log_size: Floats, log_sd: Floats, seen: Mask, axial_mm: float, settings: MeasureSettings
) -> tuple[Floats, Floats]:
    """Smooth m² along the canal; its noise hardly depends on size, so a narrowing keeps its say."""
    area = np.exp(2.0 * log_size)
    sd = 2.0 * area * np.minimum(log_sd, 2.0)
    strength = (_TYPICAL_SD / max(float(np.median(log_sd)), 1e-6)) ** 2
    even = (float(np.median(sd)) / np.maximum(sd, 1e-9)) ** 2
    weight = np.clip(strength, 0.02, 10.0) * np.clip(even, 0.25, 4.0) * seen
    penalty = size_penalty(settings)
    smooth, smooth_sd = _smoothed_with_sd(area[:, None], sd, weight, axial_mm, settings, penalty)
    return np.maximum(smooth[:, 0], _LEAST_RADIUS_MM**2), smooth_sd


def _smoothed_shape(
    shape: Floats, sd: Floats, seen: Mask, axial_mm: float, settings: MeasureSettings
) -> tuple[Floats, Floats]:
    """Smooth q along the canal: its slope is taken to change like a random walk.

    Noise makes every single section look elongated; where a section cannot tell its shape, its
    neighbors do.
    """
    alike = max(2.0 * np.sqrt(np.pi) * axial_mm / settings.level_step_mm, 1.0)
    sd_floor = np.maximum(sd, _LEAST_SHAPE_SD)
    unit = float(np.median(sd_floor)) ** 2
    penalty = unit * alike / (_SHAPE_CHANGE_PER_MM3 * settings.level_step_mm**3)
    weight = unit / sd_floor**2 * seen
    return _smoothed_with_sd(shape, sd, weight, axial_mm, settings, penalty)


def _smoothed_with_sd(
    values: Floats,
    sd: Floats,
    weight: Floats,
    axial_mm: float,
    settings: MeasureSettings,
    penalty: float,
) -> tuple[Floats, Floats]:
    """Smooth (n, k) values with weights by precision; propagate noise correlated along them."""
    gain = smoothed(np.eye(len(values)), penalty, weight, order=2)
    place = np.arange(len(values)) * settings.level_step_mm
    apart = (place[:, None] - place[None, :]) / (2.0 * axial_mm)
    covariance = sd[:, None] * sd[None, :] * np.exp(-(apart**2))
    return gain @ values, np.sqrt(np.maximum(np.sum((gain @ covariance) * gain, axis=1), 0.0))


def _systematic_share(fits: SectionFits, calibration: Calibration) -> Floats:
    """Return the relative change of size for one standard deviation of lumen gray and of blur."""
    out = np.empty(len(fits.parameters))
    for i, information in enumerate(fits.information):
        own = information[:6, :6] + 1e-6 * np.diag(np.diag(information)[:6] + 1.0)
        change = np.linalg.solve(own, information[:6, 6:8])[2]
        out[i] = np.hypot(
            change[0] * calibration.lumen_sd,
            change[1] * calibration.sigma_sd_mm / calibration.sigma_mm,
        )
    return np.minimum(out, 1.0)


def _deficit_diameter_mm(
    sections: Sections, fits: SectionFits, weights: Floats, calibration: Calibration
) -> Floats:
    axis = np.linspace(-sections.half_mm, sections.half_mm, sections.gray.shape[1])
    distance = np.hypot(axis[:, None], axis[None, :])
    dentin = fits.parameters[:, 5]
    depth = dentin - calibration.lumen - sections.gray_shift
    missing = (dentin[:, None, None] - np.nan_to_num(sections.gray)) / depth[:, None, None]
    spread = np.hypot(fits.parameters[:, 3], fits.parameters[:, 4])
    reach = np.exp(fits.parameters[:, 2] + 0.5 * spread) + 2.5 * calibration.sigma_mm
    window = np.clip((reach[:, None, None] - distance) / sections.step_mm + 0.5, 0.0, 1.0)
    area = np.sum(missing * window, axis=(1, 2)) * sections.step_mm**2
    covered = np.sum(window * weights, axis=(1, 2)) / np.sum(window, axis=(1, 2))
    diameter = 2.0 * np.sqrt(np.maximum(area, 0.0) / np.pi)
    return np.where(covered > 0.97, diameter, np.nan)
