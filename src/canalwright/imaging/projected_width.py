"""Width of a canal across its trace in a radiograph, where its edges can be seen.

A round canal takes away absorption in proportion to the chord of its circle, so the profile
across it is half an ellipse, blurred: its width at half depth is not its diameter. That shape is
fitted, on a sloping background, with an assumed blur. It is the width *in this projection*; how
wide the canal is along the beam cannot be seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.evidence import Evidence, Graded
from canalwright.imaging.strip import Strip, sampled_strip

__all__ = ["BLUR_SIGMA_MM", "ProjectedWidths", "projected_widths"]

Floats = NDArray[np.float64]

BLUR_SIGMA_MM: Final = Graded(
    0.06,
    "mm",
    Evidence.ASSUMED,
    sd=0.03,
    note="blur of detector, focal spot and movement together, at the tooth",
)

_REACH_MM: Final = 1.8
_BESIDE_MM: Final = 0.6
_ALONG_MM: Final = 0.25
_EVERY_MM: Final = 0.25
_WIDEST_MM: Final = 2.5
_SHARE_EXPLAINED: Final = 0.7
_DEPTH_OVER_SD: Final = 4.0
_OFF_TRACE_MM: Final = 0.2
_BLURS: Final = 1.5
_PARAMETERS: Final = 6.0
_LONGEST_LAG: Final = 20
_NEIGHBORS: Final = 9
_OUTLIER: Final = 4.0
_LEAST_OUTLIER_MM: Final = 0.1
_NODES, _NODE_WEIGHTS = (np.asarray(part, float) for part in np.polynomial.hermite_e.hermegauss(15))
_SHARES = _NODE_WEIGHTS / _NODE_WEIGHTS.sum()


@dataclass(frozen=True, eq=False)
class ProjectedWidths:
    """Widths at every point of a line; NaN where no two edges were seen.

    Attributes
    ----------
    width_mm, width_sd_mm : ndarray, shape (n,)
        The standard deviation holds noise and the uncertainty of the blur, not of the scale.
    """

    width_mm: Floats
    width_sd_mm: Floats


@dataclass(frozen=True, eq=False, slots=True)
class _Fit:
    """One profile: radius and center, how they move the residuals, and what is left."""

    radius_mm: float
    center_mm: float
    dip: float
    slopes: Floats
    rest: Floats
    explained: float
    by_blur_mm: float

    def noise(self, correlated: float) -> float:
        """Return the standard deviation of the gray values, of which so many move together."""
        freedom = max(len(self.rest) / correlated - _PARAMETERS, 1.0)
        return float(np.sqrt(np.sum(self.rest**2) / correlated / freedom))

    def radius_sd_mm(self, correlated: float) -> float:
        """Return the standard deviation of the radius from noise and from the assumed blur."""
        normal = self.slopes.T @ self.slopes
        if np.linalg.cond(normal) > 1e12:
            return float("nan")
        variance = correlated * self.noise(correlated) ** 2 * np.linalg.inv(normal)[0, 0]
        return float(np.hypot(np.sqrt(variance), self.by_blur_mm))

    def good(self, sigma: float, correlated: float) -> bool:
        """Tell whether two edges were seen."""
        return (
            self.explained >= _SHARE_EXPLAINED
            and self.dip >= _DEPTH_OVER_SD * self.noise(correlated)
            and _BLURS * sigma <= self.radius_mm < 0.49 * _WIDEST_MM
            and abs(self.center_mm) <= max(_OFF_TRACE_MM, 0.5 * self.radius_mm)
        )


def projected_widths(
    pixels: NDArray[np.float32],
    points_px: Floats,
    scale_mm_per_px: float,
    blur_sigma_mm: Graded = BLUR_SIGMA_MM,
) -> ProjectedWidths:
    """Measure the width across an evenly spaced line.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
        Canals dark.
    points_px : ndarray, shape (n, 2)
    scale_mm_per_px : float
    blur_sigma_mm : Graded
        With its standard deviation; at least 0.6 px are taken.
    """
    from scipy.ndimage import gaussian_filter1d

    across = max(0.03, 0.6 * scale_mm_per_px)
    strip = sampled_strip(pixels, points_px, scale_mm_per_px, _REACH_MM, across)
    rows = gaussian_filter1d(strip.values, _ALONG_MM / strip.step_mm, axis=0, mode="nearest")
    every = max(round(_EVERY_MM / strip.step_mm), 1)
    at = np.unique(np.append(np.arange(0, len(rows), every), len(rows) - 1))
    sigma = max(blur_sigma_mm.value, 0.6 * scale_mm_per_px)
    sigma_sd = blur_sigma_mm.sd or 0.0
    fits = [_fitted(rows[i], strip, sigma, sigma_sd) for i in at]
    return _interpolated(fits, at, len(rows), sigma)


def _fitted(row: Floats, strip: Strip, sigma: float, sigma_sd: float) -> _Fit | None:
    start = _first_guess(row, strip)
    if start is None:
        return None
    half = min(1.5 * start[0] + _BESIDE_MM, _REACH_MM)
    seen = np.abs(strip.offset_mm - start[1]) <= half
    t, gray = strip.offset_mm[seen], row[seen]
    return _ellipse(t, gray, start, sigma, sigma_sd)


def _first_guess(row: Floats, strip: Strip) -> tuple[float, float] | None:
    """Return half width at half depth and center of the dark dip at the line, or None."""
    middle = len(row) // 2
    near = max(round(_OFF_TRACE_MM / strip.across_mm), 1)
    bottom = middle - near + int(np.argmin(row[middle - near : middle + near + 1]))
    left, right = _shoulder(row[bottom::-1]), _shoulder(row[bottom:])
    level = row[bottom] + 0.5 * min(row[bottom - left], row[bottom + right]) - 0.5 * row[bottom]
    if not level > row[bottom]:
        return None
    edges = (_crossing(row[bottom::-1], level), _crossing(row[bottom:], level))
    half = 0.5 * (edges[0] + edges[1]) * strip.across_mm
    center = strip.offset_mm[bottom] + 0.5 * (edges[1] - edges[0]) * strip.across_mm
    return max(half, strip.across_mm), float(center)


def _shoulder(walk: Floats) -> int:
    """Return the first place from which the gray values fall for good, walking outward."""
    highest = np.maximum.accumulate(walk)
    dip = float(np.ptp(walk)) * 0.3
    fallen = np.flatnonzero(highest - walk > dip)
    end = int(fallen[0]) if len(fallen) else len(walk)
    return int(np.argmax(walk[:end]))


def _crossing(walk: Floats, level: float) -> float:
    above = int(np.argmax(walk >= level))
    if above == 0:
        return 0.0
    low, high = walk[above - 1], walk[above]
    return above - 1 + float((level - low) / (high - low))


def _ellipse(
    t: Floats, gray: Floats, start: tuple[float, float], sigma: float, sigma_sd: float
) -> _Fit:
    """Fit radius and center; depth and background follow by linear least squares.

    The background may bend, for the root itself is thicker in its middle.
    """
    from scipy.optimize import least_squares

    def left_over(shape: Floats) -> Floats:
        return parts(shape, sigma)[0]

    def parts(shape: Floats, sigma: float) -> tuple[Floats, Floats]:
        design = np.column_stack(
            [np.ones_like(t), t, t**2, -_profile(t - shape[1], shape[0], sigma)]
        )
        coefficients, *_ = np.linalg.lstsq(design, gray, rcond=None)
        return np.asarray(gray - design @ coefficients, float), np.asarray(coefficients, float)

    bounds = ([0.2 * sigma, start[1] - 0.25], [_WIDEST_MM / 2.0, start[1] + 0.25])
    first = np.clip([start[0] * 1.1, start[1]], bounds[0], bounds[1])
    found = least_squares(
        left_over, first, bounds=bounds, x_scale=0.1, xtol=1e-4, ftol=1e-6, gtol=None
    )
    rest, coefficients = parts(found.x, sigma)
    flat = gray - np.polyval(np.polyfit(t, gray, 2), t)
    explained = 1.0 - float(np.sum(rest**2) / max(np.sum(flat**2), 1e-12))
    radius, center = (float(value) for value in found.x)
    slopes = np.asarray(found.jac, float)
    # One step of Gauss and Newton tells where another blur would have led.
    step, *_ = np.linalg.lstsq(slopes, -parts(found.x, sigma + sigma_sd)[0], rcond=None)
    return _Fit(
        radius, center, float(coefficients[3]), slopes, rest, explained, abs(float(step[0]))
    )


def _profile(t: Floats, radius: float, sigma: float) -> Floats:
    """Return the chord of a circle, 1 in its middle, blurred by a Gaussian."""
    at = t[:, None] + sigma * _NODES[None, :]
    chord = np.sqrt(np.maximum(1.0 - (at / radius) ** 2, 0.0))
    return np.asarray(chord @ _SHARES, float)


def _correlated_columns(fits: list[_Fit | None]) -> float:
    """Return how many neighboring gray values move together, from what the fits left over."""
    rests = [fit.rest for fit in fits if fit is not None]
    together, power = 1.0, sum(float(r @ r) for r in rests)
    for lag in range(1, _LONGEST_LAG):
        share = sum(float(r[lag:] @ r[:-lag]) for r in rests if len(r) > lag) / max(power, 1e-12)
        if share <= 0.0:
            break
        together += 2.0 * share
    return together


def _steadied(width: Floats) -> tuple[Floats, float]:
    """Return widths without outliers, averaged over three, and their scatter.

    Grain of the picture moves edges by more than the noise within one profile tells. Where less
    than half of the neighbors show two edges, those that do are a selection of wide ones.
    """
    reach = _NEIGHBORS // 2
    padded = np.pad(width, reach, constant_values=np.nan)
    around = np.stack([padded[k : k + len(width)] for k in range(_NEIGHBORS)])
    inside = np.pad(np.ones(len(width)), reach)
    possible = sum(inside[k : k + len(width)] for k in range(_NEIGHBORS))
    enough = np.isfinite(width) & (np.isfinite(around).sum(axis=0) > 0.5 * possible)
    if not np.any(enough):
        return np.full_like(width, np.nan), 0.0
    middle = np.full_like(width, np.nan)
    middle[enough] = np.nanmedian(around[:, enough], axis=0)
    off = np.abs(width - middle)
    scatter = 1.4826 * float(np.nanmedian(off[enough]))
    kept = np.where(enough & (off <= max(_OUTLIER * scatter, _LEAST_OUTLIER_MM)), width, np.nan)
    sides = np.stack([np.roll(kept, 1), kept, np.roll(kept, -1)])
    sides[0, 0] = sides[2, -1] = np.nan
    present = np.isfinite(sides)
    shares = np.array([0.25, 0.5, 0.25])[:, None] * present
    total = np.sum(shares * np.where(present, sides, 0.0), axis=0) / np.maximum(
        shares.sum(axis=0), 1e-12
    )
    return np.where(np.isfinite(kept), total, np.nan), scatter


def _interpolated(
    fits: list[_Fit | None], at: NDArray[np.intp], count: int, sigma: float
) -> ProjectedWidths:
    """Return widths at every row: linear between neighbors that were both seen, else NaN."""
    together = _correlated_columns(fits)
    width, spread = np.full((2, len(fits)), np.nan)
    for k, fit in enumerate(fits):
        if fit is not None and fit.good(sigma, together):
            width[k], spread[k] = 2.0 * fit.radius_mm, 2.0 * fit.radius_sd_mm(together)
    width[~np.isfinite(spread)] = np.nan
    width, scatter = _steadied(width)
    spread = np.maximum(spread, scatter)
    rows = np.arange(count)
    return ProjectedWidths(np.interp(rows, at, width), np.interp(rows, at, spread))
