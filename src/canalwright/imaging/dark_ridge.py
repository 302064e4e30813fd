"""The dark line in a strip of a radiograph, and how sure it is that there is one.

A filter that looks for dark lines along the strip is evaluated at several widths: the second
derivative across of the Gaussian-smoothed gray values, scaled by the squared width as in
:cite:`sato1998`. The path with the largest sum of responses, less what it wanders, is found by
dynamic programming. How sure it is comes from the same search in strips whose pieces were
shifted sideways at random: they hold the same structures, but no line that continues.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.strip import Strip

__all__ = ["DarkRidge", "dark_ridge"]

Floats = NDArray[np.float64]

_WIDTHS_MM: Final = (0.07, 0.11, 0.17, 0.26, 0.4, 0.6)
_ALONG_MM: Final = 0.35
_STRONGEST: Final = 4.0
_WANDER: Final = 0.6
_OFF_LINE: Final = 1.0
_SURROGATES: Final = 40
_PIECE_MM: Final = 0.8
_BESIDE_MM: Final = 0.8
_SMOOTH_MM: Final = 0.8
_SEED: Final = 20


@dataclass(frozen=True, eq=False)
class DarkRidge:
    """A dark line along a strip.

    Attributes
    ----------
    offset_mm : ndarray, shape (n,)
        Its place in every row.
    confidence : tuple of float
        For every stretch, the probability that so strong a line would not come about by chance
        here, 0 to 1.
    """

    offset_mm: Floats
    confidence: tuple[float, ...]


def dark_ridge(strip: Strip, held_mm: Floats, stretches: Sequence[tuple[int, int]]) -> DarkRidge:
    """Find the dark line in a strip.

    Parameters
    ----------
    strip : Strip
    held_mm : ndarray, shape (n,)
        How far from the strip's middle the line may lie in every row.
    stretches : sequence of (int, int)
        First and last row of the stretches to be judged.
    """
    response = _response(strip)
    allowed = np.abs(strip.offset_mm)[None, :] <= held_mm[:, None] + 1e-9
    bias = _OFF_LINE * (strip.offset_mm / held_mm.max()) ** 2
    near = np.abs(strip.offset_mm) <= held_mm.max() + _BESIDE_MM
    plain = np.stack([response, *_shifted(response, near, strip.step_mm)])
    paths = _best_paths(np.where(allowed, plain - bias, -1e6), _WANDER)
    reached = _along_smooth(plain, paths, _SMOOTH_MM / strip.step_mm)
    return DarkRidge(
        _between_columns(response, paths[0], strip),
        tuple(_confidence(reached[:, a : b + 1].mean(axis=1)) for a, b in stretches),
    )


def _response(strip: Strip) -> Floats:
    """Return the response in units of its own robust spread, cut off where it is certain."""
    from scipy.ndimage import gaussian_filter1d

    along = gaussian_filter1d(strip.values, _ALONG_MM / strip.step_mm, axis=0, mode="nearest")
    best = np.full_like(along, -np.inf)
    for width in _WIDTHS_MM:
        sigma = max(width / strip.across_mm, 0.8)
        curved = gaussian_filter1d(along, sigma, axis=1, order=2, mode="nearest")
        best = np.maximum(best, sigma**2 * curved)
    spread = 1.4826 * np.median(np.abs(best - np.median(best)))
    scaled = (best - np.median(best)) / max(float(spread), 1e-12)
    return np.asarray(np.clip(scaled, 0.0, _STRONGEST), float)


def _shifted(response: Floats, near: NDArray[np.bool_], step_mm: float) -> list[Floats]:
    """Return responses with their pieces shifted sideways at random, round the near columns.

    Pieces from farther off, outside the root, would tell nothing of chance within it.
    """
    random = np.random.default_rng(_SEED)
    piece = max(round(_PIECE_MM / step_mm), 2)
    count, width = len(response), int(near.sum())
    made = []
    for _ in range(_SURROGATES):
        start = int(random.integers(piece))
        which = (np.arange(count) + start) // piece
        shift = random.integers(width, size=int(which[-1]) + 1)[which]
        columns = (np.arange(width)[None, :] + shift[:, None]) % width
        moved = response.copy()
        moved[:, near] = np.take_along_axis(response[:, near], columns, axis=1)
        made.append(moved)
    return made


def _best_paths(gain: Floats, wander: float) -> NDArray[np.intp]:
    """Return the columns of the paths of largest gain through (k, n, width), shape (k, n)."""
    layers, count, width = gain.shape
    total = gain[:, 0].copy()
    came = np.zeros((count, layers, width), np.int8)
    for row in range(1, count):
        sides = np.full((3, layers, width), -np.inf)
        sides[1] = total
        sides[0, :, 1:] = total[:, :-1] - wander
        sides[2, :, :-1] = total[:, 1:] - wander
        choice = np.argmax(sides, axis=0)
        came[row] = choice - 1
        total = np.take_along_axis(sides, choice[None], axis=0)[0] + gain[:, row]
    path = np.empty((layers, count), np.intp)
    path[:, -1] = np.argmax(total, axis=1)
    each = np.arange(layers)
    for row in range(count - 1, 0, -1):
        path[:, row - 1] = path[:, row] + came[row, each, path[:, row]]
    return path


def _between_columns(response: Floats, path: NDArray[np.intp], strip: Strip) -> Floats:
    """Return offsets with the top of the response between columns, by a parabola."""
    rows = np.arange(len(path))
    inner = np.clip(path, 1, response.shape[1] - 2)
    left, here, right = (response[rows, inner + k] for k in (-1, 0, 1))
    bend = left - 2.0 * here + right
    shift = np.divide(left - right, 2.0 * bend, out=np.zeros_like(bend), where=bend < -1e-9)
    shift = np.where(inner == path, np.clip(shift, -0.5, 0.5), 0.0)
    return np.asarray(strip.offset_mm[path] + shift * strip.across_mm, float)


def _along_smooth(responses: Floats, paths: NDArray[np.intp], smooth_rows: float) -> Floats:
    """Return the responses along the paths without their wiggles, shape (k, n).

    A canal is smooth; the best path through grain is not, and loses most of its response here.
    """
    from scipy.ndimage import gaussian_filter1d

    smooth = gaussian_filter1d(paths.astype(float), smooth_rows, axis=1, mode="nearest")
    columns = np.clip(np.round(smooth).astype(int), 0, responses.shape[2] - 1)
    return np.take_along_axis(responses, columns[:, :, None], axis=2)[:, :, 0]


def _confidence(reached: Floats) -> float:
    """Return how far the first value stands out from the others, as a probability."""
    from scipy.special import ndtr

    spread = max(float(reached[1:].std()), 1e-3)
    return float(ndtr((reached[0] - reached[1:].mean()) / spread))
