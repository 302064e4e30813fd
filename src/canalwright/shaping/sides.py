"""The two directions in which transportation is told, and what they are called."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.geometry.tube import Place, TubeWall

__all__ = ["Side", "along_side", "sides_of", "words_for"]

Floats = NDArray[np.float64]

_STRAIGHT_MM = 0.15
_LPS_WORDS = (("right", "left"), ("front", "back"), ("foot end", "head end"))
_INDEX_WORDS = (("−x", "+x"), ("−y", "+y"), ("−z", "+z"))


@dataclass(frozen=True, eq=False)
class Side:
    """A direction across the canal.

    Attributes
    ----------
    key : str
        ``"furcation"`` (positive: away from it), ``"curve"`` (positive: outer side), ``"axes"``
        (straight canals) or ``"across"`` (square to the first).
    vector : ndarray, shape (3,)
        Unit vector of the positive sense.
    positive, negative : str
        Where a canal moves with positive and with negative values, in words.
    """

    key: str
    vector: Floats
    positive: str
    negative: str


def sides_of(
    axis_mm: Floats, *, furcation_mm: ArrayLike | None = None, oriented: bool = False
) -> tuple[Side, Side]:
    """Return two directions square to each other and to the canal.

    Parameters
    ----------
    axis_mm : ndarray, shape (n, 3)
    furcation_mm : array_like, shape (3,), optional
        A point at the furcation. Without it the first direction is that of the curve, and in a
        straight canal the nearest axis of the image.
    oriented : bool
        Whether coordinates are those of the patient (LPS).
    """
    chord = axis_mm[-1] - axis_mm[0]
    chord = chord / np.linalg.norm(chord)
    first = _first_side(axis_mm, chord, furcation_mm, oriented)
    across = np.cross(chord, first.vector)
    second = Side("across", across, *_toward_words(across, oriented))
    return first, second


def _first_side(
    axis: Floats, chord: Floats, furcation_mm: ArrayLike | None, oriented: bool
) -> Side:
    if furcation_mm is not None:
        gap = axis - np.asarray(furcation_mm, float)
        nearest = gap[int(np.argmin(np.linalg.norm(gap, axis=1)))]
        vector = _square_to(chord, nearest)
        return Side("furcation", vector, "away from the furcation", "toward the furcation")
    off = axis - axis[0]
    off = off - np.outer(off @ chord, chord)
    bulge = off.mean(axis=0)
    if np.linalg.norm(off, axis=1).max() < _STRAIGHT_MM or np.linalg.norm(bulge) < 1e-3:
        vector = _square_to(chord, np.eye(3)[int(np.argmin(np.abs(chord)))])
        return Side("axes", vector, *_toward_words(vector, oriented))
    outer, inner = "the outer side of the curve", "the inner side of the curve"
    vector = bulge / np.linalg.norm(bulge)
    words = words_for(vector, oriented)
    back = words_for(-vector, oriented)
    return Side("curve", vector, f"toward {outer} ({words})", f"toward {inner} ({back})")


def _square_to(chord: Floats, vector: Floats) -> Floats:
    flat = vector - chord * (vector @ chord)
    return np.asarray(flat / max(float(np.linalg.norm(flat)), 1e-12), float)


def _toward_words(vector: Floats, oriented: bool) -> tuple[str, str]:
    return f"toward the {words_for(vector, oriented)}", f"toward the {words_for(-vector, oriented)}"


def words_for(vector: Floats, oriented: bool) -> str:
    """Return a direction in words, of the patient or of the file's axes."""
    names = _LPS_WORDS if oriented else _INDEX_WORDS
    order = np.argsort(-np.abs(vector))
    shown = [k for k in order[:2] if abs(vector[k]) > 0.4] or [order[0]]
    joined = " and ".join(names[k][int(vector[k] > 0.0)] for k in shown)
    return joined if oriented else f"{joined} side"


def along_side(wall: TubeWall, side: Side, values: Floats) -> tuple[Floats, Floats]:
    """Return (levels, directions) values on the positive and the negative side at every level."""
    second = np.cross(wall.tangent, wall.direction0)
    u = np.sum(wall.direction0 * side.vector, axis=1)
    angle = np.arctan2(np.sum(second * side.vector, axis=1), u)
    # Interpolation over directions sees NaN where either neighbor is unknown.
    both = []
    for turn in (0.0, np.pi):
        place = Place(wall.level_mm, np.mod(angle + turn, 2.0 * np.pi), np.zeros_like(angle))
        both.append(wall.radius_at_mm(place, values))
    return both[0], both[1]
