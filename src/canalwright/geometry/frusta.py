"""Volumes and surfaces of frusta and of round profiles along an axis :cite:`zwillinger2018`."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import OutOfRange

__all__ = [
    "frustum_lateral_area_mm2",
    "frustum_volume_mm3",
    "prismatoid_volume_mm3",
    "profile_lateral_area_mm2",
    "profile_volume_mm3",
]

Floats = NDArray[np.float64]


def frustum_volume_mm3(d0_mm: ArrayLike, d1_mm: ArrayLike, length_mm: ArrayLike) -> Floats:
    """Return the volume of frusta, ``πL/12·(d0² + d0·d1 + d1²)``.

    Parameters
    ----------
    d0_mm, d1_mm : array_like
        Diameters of the two ends.
    length_mm : array_like
        Distance between the ends along the axis.

    Raises
    ------
    OutOfRange
        If a diameter or length is negative.
    """
    d0, d1, length = _checked(d0_mm, d1_mm, length_mm)
    return np.asarray(np.pi * length / 12.0 * (d0 * d0 + d0 * d1 + d1 * d1), float)


def frustum_lateral_area_mm2(d0_mm: ArrayLike, d1_mm: ArrayLike, length_mm: ArrayLike) -> Floats:
    """Return the mantle of frusta without their ends, ``π(d0 + d1)/2·√(L² + ((d1 − d0)/2)²)``.

    Parameters and errors as in `frustum_volume_mm3`.
    """
    d0, d1, length = _checked(d0_mm, d1_mm, length_mm)
    slant = np.hypot(length, (d1 - d0) / 2.0)
    return np.asarray(np.pi * (d0 + d1) / 2.0 * slant, float)


def profile_volume_mm3(level_mm: ArrayLike, diameter_mm: ArrayLike) -> float:
    """Return the volume of a round canal or instrument from its diameters at levels.

    Between neighboring levels the solid is a frustum, so that tapered profiles are exact at any
    spacing; volume per millimeter of axis, which for a bent axis is also exact as long as the
    sections are centered on it (Pappus).

    Parameters
    ----------
    level_mm, diameter_mm : array_like, shape (n,)
        Levels increase.

    Raises
    ------
    OutOfRange
        If levels do not increase or a diameter is negative.
    """
    level, diameter = _checked_profile(level_mm, diameter_mm)
    return float(np.sum(frustum_volume_mm3(diameter[:-1], diameter[1:], np.diff(level))))


def profile_lateral_area_mm2(level_mm: ArrayLike, diameter_mm: ArrayLike) -> float:
    """Return the mantle surface of a round profile on a straight axis.

    Parameters and errors as in `profile_volume_mm3`.
    """
    level, diameter = _checked_profile(level_mm, diameter_mm)
    return float(np.sum(frustum_lateral_area_mm2(diameter[:-1], diameter[1:], np.diff(level))))


def prismatoid_volume_mm3(level_mm: ArrayLike, area_mm2: ArrayLike) -> float:
    """Return the volume between sections of any outline from their areas.

    Between neighboring levels ``h/3·(A0 + √(A0·A1) + A1)``: exact wherever the outline keeps its
    shape and its size changes linearly.

    Parameters
    ----------
    level_mm, area_mm2 : array_like, shape (n,)
        Levels increase; areas are not negative.

    Raises
    ------
    OutOfRange
        If levels do not increase or an area is negative.
    """
    level, area = _checked_profile(level_mm, area_mm2, what="section area", unit="mm²")
    low, high = area[:-1], area[1:]
    return float(np.sum(np.diff(level) / 3.0 * (low + np.sqrt(low * high) + high)))


def _checked(d0_mm: ArrayLike, d1_mm: ArrayLike, length_mm: ArrayLike) -> tuple[Floats, ...]:
    named = {"tip diameter": d0_mm, "end diameter": d1_mm, "length": length_mm}
    arrays = []
    for name, value in named.items():
        array = np.asarray(value, float)
        _refuse_negative(array, name, "mm")
        arrays.append(array)
    return tuple(arrays)


def _checked_profile(
    level_mm: ArrayLike, value: ArrayLike, *, what: str = "diameter", unit: str = "mm"
) -> tuple[Floats, Floats]:
    level, array = np.asarray(level_mm, float), np.asarray(value, float)
    if level.ndim != 1 or level.shape != array.shape:
        raise OutOfRange(
            name=f"number of {what} values",
            got=array.size,
            unit="",
            allowed=(level.size, level.size),
            hint="Give one value per level.",
        )
    step = np.diff(level)
    if not np.all(step > 0.0):
        raise OutOfRange(
            name="smallest step between levels", got=float(step.min()), unit="mm", allowed=(0, None)
        )
    _refuse_negative(array, what, unit)
    return level, array


def _refuse_negative(array: Floats, name: str, unit: str) -> None:
    if not np.all(array >= 0.0):
        worst = float(array.reshape(-1)[np.argmin(np.nan_to_num(array, nan=-np.inf))])
        raise OutOfRange(name=name, got=worst, unit=unit, allowed=(0.0, None))
