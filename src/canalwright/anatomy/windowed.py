"""Curvature, tangent and torsion along a canal, each taken over a stated window.

A measured centerline carries noise of a few hundredths of a millimeter, and curvature is its
second derivative. So at every level a parabola is fitted to the points of a window: wide windows
are quiet but blunt short bends, narrow ones the reverse. The window is part of the result.

Toward either end the window shrinks with the distance from the end, to 1.5 mm; over the last
0.75 mm the canal is continued as a circle. A value there is less certain, and says so: see
`LocalBending.curvature_sd_per_mm`. The largest curvature is taken over full windows only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.views import evenly_spaced
from canalwright.errors import OutOfRange
from canalwright.geometry.frames import bishop_frame
from canalwright.geometry.points import polyline_levels_mm, unit_vectors

__all__ = ["CENTERLINE_SD_MM", "WINDOW_MM", "LocalBending", "local_bending", "torsion_per_mm"]

Floats = NDArray[np.float64]

WINDOW_MM = 3.0
"""Window of local curvature: 0.02 mm of centerline noise leaves 0.01 per mm (documentation)."""

CENTERLINE_SD_MM = 0.01
"""What a measured centerline is off by on each axis on a poor scan (phantoms)."""

_TORSION_LEAST_CURVATURE_PER_MM = 0.05
_LEAST_HALF_MM = 0.75

# Noise of a centerline is alike over so much of its length; expected square of the change of
# curvature along 1 mm of canal, on average over a canal (assumed).
_ALIKE_MM, _CHANGE_PER_MM3 = 0.8, 0.005


@dataclass(frozen=True, eq=False, slots=True)
class LocalBending:
    """Tangent and curvature of a canal at evenly spaced levels.

    Attributes
    ----------
    level_mm : ndarray, shape (n,)
        From the terminus.
    tangent : ndarray, shape (n, d)
        Unit vectors toward the orifice, in space (d = 3) or in a view (d = 2).
    curvature_vector_per_mm : ndarray, shape (n, d)
        Points to the inside of the bend; its length is the curvature.
    window_mm : float
        Length of canal that values away from the ends were taken over.
    window_at_mm : ndarray, shape (n,)
        Length of canal that each value was taken over; 0 where it was carried on from its
        neighbor.
    """

    level_mm: Floats
    tangent: Floats
    curvature_vector_per_mm: Floats
    window_mm: float
    window_at_mm: Floats

    @property
    def curvature_per_mm(self) -> Floats:
        """Curvature at every level, never negative."""
        return np.asarray(np.linalg.norm(self.curvature_vector_per_mm, axis=1), float)

    @property
    def signed_per_mm(self) -> Floats:
        """Curvature in a view, positive where the canal turns left on the way to the orifice."""
        across = np.column_stack([-self.tangent[:, 1], self.tangent[:, 0]])
        return np.asarray(np.sum(across * self.curvature_vector_per_mm, axis=1), float)

    @property
    def full(self) -> NDArray[np.bool_]:
        """Whether the value was taken over the full window."""
        return np.asarray(self.window_at_mm > self.window_mm - 1e-9)

    @property
    def max_per_mm(self) -> float:
        """Largest curvature over full windows."""
        return float(self.curvature_per_mm[self.full].max())

    @property
    def max_level_mm(self) -> float:
        """Level of the largest curvature; the middle where a stretch shares it."""
        curvature = self.curvature_per_mm
        shared = self.full & (curvature >= self.max_per_mm * (1.0 - 1e-6))
        return float(np.mean(self.level_mm[shared]))

    def curvature_sd_per_mm(self, centerline_sd_mm: float = CENTERLINE_SD_MM) -> Floats:
        """Return the standard deviation of one component of the curvature, shape (n,).

        Parameters
        ----------
        centerline_sd_mm : float
            Standard deviation of the points on each axis, taken to be alike over 0.8 mm.

        Notes
        -----
        Where the value is carried on to an end, what curvature may change by on the way is
        added: the square of the change grows by 0.005 per mm² and mm (assumed).
        """
        step = float(self.level_mm[-1]) / (len(self.level_mm) - 1)
        half = np.round(self.window_at_mm / (2.0 * step)).astype(int)
        known = np.flatnonzero(half > 0)
        near = np.clip(np.arange(len(half)), known[0], known[-1])
        gain = {int(k): _noise_gain_per_mm2(int(k), step) for k in np.unique(half[known])}
        noise = centerline_sd_mm * np.array([gain[int(half[k])] for k in near])
        carried = np.abs(self.level_mm - self.level_mm[near])
        return np.sqrt(noise**2 + _CHANGE_PER_MM3 * carried)


def local_bending(points_mm: ArrayLike, *, window_mm: float = WINDOW_MM) -> LocalBending:
    """Fit a parabola in a window round every level.

    For a circular arc longer than the window the curvature is exact to the fourth power of
    window over radius: the parabola's own error on a circle, ``9/70·(κ·window/2)²``, is taken out.

    Parameters
    ----------
    points_mm : array_like, shape (n, 2) or (n, 3)
        Terminus first.
    window_mm : float
        Shortened to the canal where that is shorter.

    Returns
    -------
    LocalBending

    Raises
    ------
    OutOfRange
        If the window is not greater than zero.
    """
    if not window_mm > 0.0:
        raise OutOfRange(name="window", got=window_mm, unit="mm", allowed=(0.0, None))
    points = evenly_spaced(points_mm)
    level = polyline_levels_mm(points)
    step = level[-1] / (len(level) - 1)
    half = min(max(round(window_mm / 2.0 / step), 2), (len(points) - 1) // 2)
    least = min(half, max(round(_LEAST_HALF_MM / step), 2))
    pieces = [_bent(points[: 2 * k + 1], k, step) for k in range(least, half)]
    pieces.append(_bent(points, half, step))
    pieces += [_bent(points[-2 * k - 1 :], k, step) for k in range(half - 1, least - 1, -1)]
    tangent, curvature = (np.vstack(parts) for parts in zip(*pieces, strict=True))
    tangent, curvature = _with_ends(tangent, curvature, least, step)
    from_end = np.minimum(np.arange(len(points)), np.arange(len(points))[::-1])
    window = 2.0 * step * np.where(from_end < least, 0, np.minimum(from_end, half))
    return LocalBending(level, tangent, curvature, 2.0 * half * step, window)


def torsion_per_mm(points_mm: ArrayLike, *, window_mm: float = WINDOW_MM) -> tuple[Floats, Floats]:
    """Return levels and torsion: how fast the plane of the bend turns along the canal.

    The direction of the curvature vector in a rotation-minimizing frame is followed along the
    canal; its rate of turning over the window is the torsion.

    Parameters
    ----------
    points_mm : array_like, shape (n, 3)
        Terminus first.
    window_mm : float
        Window of both the curvature and the rate of turning.

    Returns
    -------
    level_mm, torsion_per_mm : ndarray, shape (n,)
        Positive for a right-handed helix. NaN where the curvature is below 0.05 per mm (radius
        above 20 mm) anywhere in the window, for there the plane of bending is not measurable, and
        within a window of either end.
    """
    bending = local_bending(points_mm, window_mm=window_mm)
    points = evenly_spaced(points_mm)
    frame = bishop_frame(points, tangents=bending.tangent)
    bend = bending.curvature_vector_per_mm
    angle = np.unwrap(
        np.arctan2(np.sum(bend * frame.direction1, axis=1), np.sum(bend * frame.direction0, axis=1))
    )
    half = min(max(round(window_mm / 2.0 / np.diff(bending.level_mm).mean()), 2), len(angle) // 2)
    turned, faint = angle[2 * half :] - angle[: -2 * half], bending.curvature_per_mm
    bent = sliding_window_view(faint, 2 * half + 1).min(axis=1) >= _TORSION_LEAST_CURVATURE_PER_MM
    torsion = np.full(len(angle), np.nan)
    span = bending.level_mm[2 * half :] - bending.level_mm[: -2 * half]
    torsion[half:-half] = np.where(bent, turned / span, np.nan)
    # Nearer to the ends the windows shrink and the canal is continued as a circle.
    torsion[: 2 * half] = torsion[len(torsion) - 2 * half :] = np.nan
    return bending.level_mm, torsion


def _bent(points: Floats, half: int, step_mm: float) -> tuple[Floats, Floats]:
    """Return tangents and curvature vectors at the middle of every full window."""
    first, second = _parabolas(points, half)
    speed = np.linalg.norm(first, axis=1, keepdims=True)
    tangent = first / speed
    curvature = (second - tangent * np.sum(second * tangent, axis=1, keepdims=True)) / speed**2
    half_square = step_mm**2 * half * (half + 1)
    excess = 1.0 + 9.0 / 70.0 * np.sum(curvature**2, axis=1, keepdims=True) * half_square
    return tangent, curvature / excess


def _noise_gain_per_mm2(half: int, step_mm: float) -> float:
    """Return what a parabola's curvature varies by, per standard deviation of its points."""
    k = np.arange(-half, half + 1, dtype=float)
    bowl = k**2 - np.mean(k**2)
    weight = 2.0 * bowl / np.sum(bowl**2) / step_mm**2
    alike = np.exp(-0.5 * ((k[:, None] - k[None, :]) * step_mm / _ALIKE_MM) ** 2)
    return float(np.sqrt(weight @ alike @ weight))


def _parabolas(points: Floats, half: int) -> tuple[Floats, Floats]:
    """Return first and second derivative per sample at the middle of every full window."""
    k = np.arange(-half, half + 1, dtype=float)
    bowl = k**2 - np.mean(k**2)
    windows = sliding_window_view(points, 2 * half + 1, axis=0)
    return windows @ (k / np.sum(k**2)), windows @ (2.0 * bowl / np.sum(bowl**2))


def _with_ends(
    tangent: Floats, curvature: Floats, half: int, step_mm: float
) -> tuple[Floats, Floats]:
    """Continue both ends as circles by half the least window."""
    before = _circle(tangent[0], curvature[0], np.arange(-half, 0.0) * step_mm)
    after = _circle(tangent[-1], curvature[-1], np.arange(1.0, half + 1.0) * step_mm)
    pairs = zip(before, (tangent, curvature), after, strict=True)
    first, second = (np.vstack(parts) for parts in pairs)
    return first, second


def _circle(tangent: Floats, curvature: Floats, distance_mm: Floats) -> tuple[Floats, Floats]:
    size = float(np.linalg.norm(curvature))
    inward = unit_vectors(curvature)
    angle = (size * distance_mm)[:, None]
    along = np.cos(angle) * tangent + np.sin(angle) * inward
    return along, size * (np.cos(angle) * inward - np.sin(angle) * tangent)
