"""Where two canals of one root meet: followed side by side until no dentin parts them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from canalwright.imaging.curves import frame_along, resampled, smoothed, smoothing_weight
from canalwright.imaging.tooth_mask import Tooth, sampled

__all__ = ["followed_to_junction"]

Floats = NDArray[np.float64]
Volume = NDArray[np.float32]

_STEP_MM, _WAVE_MM = 0.1, 1.5
_SEARCH_MM, _GRID_MM, _ALONG_MM = 0.2, 0.05, 0.3

# Least rise of gray between two canals that counts as dentin, over the contrast; how much a place
# a millimeter aside must be darker to be preferred; how long the following goes on, and how long
# without dentin between.
_PARTED, _STAY, _MOST_MM, _UNPARTED_MM = 0.03, 1.0, 6.0, 0.3

# Where the two can no longer be told apart, their axes close in on each other over this many
# times their distance; assumed.
_RUN_IN = 4.0


def followed_to_junction(
    tooth: Tooth, smooth: Volume, tip_mm: Floats, main_mm: Floats
) -> tuple[Floats, Floats]:
    """Follow a canal down beside another one until they are one.

    Parameters
    ----------
    tooth : Tooth
    smooth : ndarray, shape of the crop
        The crop's gray values, slightly smoothed.
    tip_mm : ndarray, shape (3,)
        Where the canal was last seen by itself.
    main_mm : ndarray, shape (n, 3)
        The other canal, from its terminus up.

    Returns
    -------
    beside : ndarray, shape (k, 3)
        The way from the junction up to the tip, without the tip; may be empty.
    below : ndarray, shape (m, 3)
        The way from the common terminus to the junction: the other canal's axis, which the last
        millimeters run into.
    """
    line = smoothed(resampled(main_mm, _STEP_MM), smoothing_weight(_WAVE_MM, _STEP_MM, 3))
    tangent, first, second = frame_along(line)
    row = int(np.argmin(np.linalg.norm(line - tip_mm, axis=1)))
    rows = range(row, max(row - round(_MOST_MM / _STEP_MM), 1), -1)
    place, way, parted = tip_mm, [], 0
    for at in rows:
        place = _darkest(tooth, smooth, place, tangent[at], first[at], second[at])
        way.append(place)
        if _parted(tooth, smooth, place, line[at], tangent[at]):
            parted = len(way)
        elif (len(way) - parted) * _STEP_MM > _UNPARTED_MM:
            break
        place = place + line[at - 1] - line[at]
    beside = np.array(way[:parted][::-1]).reshape(-1, 3)
    last_seen = way[parted - 1] if parted else tip_mm
    meeting = row - parted + 1 if parted else row
    below = line[: max(meeting, 1)]
    return beside, _merging(below, last_seen - line[meeting])


def _merging(below: Floats, offset: Floats) -> Floats:
    """Let a canal run into the other one's axis at an angle instead of stepping over to it."""
    run_mm = _RUN_IN * float(np.linalg.norm(offset))
    ahead = np.arange(len(below) - 1, -1, -1) * _STEP_MM + _STEP_MM
    share = np.clip(1.0 - ahead / max(run_mm, 1e-9), 0.0, 1.0)
    return np.asarray(below + share[:, None] * offset, float)


def _gray(tooth: Tooth, smooth: Volume, places: Floats, tangent: Floats) -> Floats:
    """Return gray values averaged along the canal, against noise."""
    along = np.arange(-_ALONG_MM, _ALONG_MM + 1e-9, _STEP_MM)
    gray = sampled(tooth, smooth, places[..., None, :] + along[:, None] * tangent)
    return np.asarray(gray.mean(axis=-1), float)


def _darkest(
    tooth: Tooth, smooth: Volume, place: Floats, tangent: Floats, first: Floats, second: Floats
) -> Floats:
    aside = np.arange(-_SEARCH_MM, _SEARCH_MM + 1e-9, _GRID_MM)
    u, v = np.meshgrid(aside, aside, indexing="ij")
    places = place + u[..., None] * first + v[..., None] * second
    pull = _STAY * tooth.contrast * (u**2 + v**2)
    score = _gray(tooth, smooth, places, tangent) + pull
    return np.asarray(places.reshape(-1, 3)[int(np.argmin(score))], float)


def _parted(tooth: Tooth, smooth: Volume, one: Floats, other: Floats, tangent: Floats) -> bool:
    share = np.linspace(0.0, 1.0, 11)[:, None]
    gray = _gray(tooth, smooth, one + share * (other - one), tangent)
    return bool(gray.max() - max(gray[0], gray[-1]) > _PARTED * tooth.contrast)
