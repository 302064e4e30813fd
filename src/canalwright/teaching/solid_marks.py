"""What is engraved into a block: ruler ticks, numbers, letters, an arrow, level marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.errors import MalformedText
from canalwright.teaching.solid import Solid, oriented_box

__all__ = ["LETTERS", "Face", "arrow", "engraved_text", "line", "ruler", "text_width_mm"]

Floats = NDArray[np.float64]

# Strokes on a grid two wide and four high, x to the right, y up.
_STROKES: Final = {
    "0": "0004 0424 2420 2000",
    "1": "0314 1014",
    "2": "0424 2422 2202 0200 0020",
    "3": "0424 2420 2000 0222",
    "4": "0402 0222 2420",
    "5": "2404 0402 0222 2220 2000",
    "6": "2404 0400 0020 2022 2202",
    "7": "0424 2410",
    "8": "0004 0424 2420 2000 0222",
    "9": "0020 2024 2404 0402 0222",
    "A": "0003 0314 1423 2320 0222",
    "B": "0004 0414 1423 2312 0212 1221 2110 1000",
    "C": "2404 0400 0020",
    "D": "0004 0414 1423 2321 2110 1000",
    "E": "2404 0400 0020 0212",
    "F": "2404 0400 0212",
    "G": "2404 0400 0020 2022 2212",
    "H": "0004 2024 0222",
    "I": "1014",
    "J": "2420 2000 0001",
    "K": "0004 0224 0220",
    "L": "0400 0020",
    "M": "0004 0412 1224 2420",
    "N": "0004 0420 2024",
    "O": "0004 0424 2420 2000",
    "P": "0004 0424 2422 2202",
    "Q": "0004 0424 2420 2000 1120",
    "R": "0004 0424 2422 2202 0220",
    "S": "2404 0402 0222 2220 2000",
    "T": "0424 1014",
    "U": "0400 0020 2024",
    "V": "0410 1024",
    "W": "0400 0012 1220 2024",
    "X": "0024 0420",
    "Y": "0412 2412 1210",
    "Z": "0424 2400 0020",
    "-": "0222",
    "+": "0222 1113",
    " ": "",
}
LETTERS: Final = "".join(_STROKES)
"""Characters that can be engraved."""


@dataclass(frozen=True, eq=False)
class Face:
    """A flat place to engrave.

    Attributes
    ----------
    origin_mm : ndarray, shape (3,)
        A point of the surface.
    right, up : ndarray, shape (3,)
        Unit vectors in the surface, as seen by somebody in front of it.
    depth_mm, stroke_mm : float
        Depth and width of the grooves.
    """

    origin_mm: Floats
    right: Floats
    up: Floats
    depth_mm: float
    stroke_mm: float

    @property
    def normal(self) -> Floats:
        """Unit vector out of the material."""
        return np.asarray(np.cross(self.right, self.up), float)

    def moved(self, right_mm: float, up_mm: float) -> Face:
        """Return the face with its origin moved within the surface."""
        origin = self.origin_mm + right_mm * self.right + up_mm * self.up
        return Face(origin, self.right, self.up, self.depth_mm, self.stroke_mm)


def line(face: Face, start_mm: ArrayLike, end_mm: ArrayLike) -> Solid:
    """Return what a straight groove between two (right, up) points of a face takes away."""
    start, end = np.asarray(start_mm, float), np.asarray(end_mm, float)
    along2 = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
    along = along2[0] * face.right + along2[1] * face.up
    middle = (start + end) / 2.0
    center = face.origin_mm + middle[0] * face.right + middle[1] * face.up
    half = float(np.linalg.norm(end - start)) / 2.0 + face.stroke_mm / 2.0
    axes = np.stack([along, np.cross(face.normal, along), face.normal])
    return oriented_box(center, axes, (half, face.stroke_mm / 2.0, face.depth_mm))


def engraved_text(face: Face, text: str, height_mm: float) -> list[Solid]:
    """Return what a line of text takes away; it begins at the face's origin, standing on it.

    Raises
    ------
    MalformedText
        If a character is none of `LETTERS`.
    """
    wrong = sorted(set(text.upper()) - set(LETTERS))
    if wrong:
        raise MalformedText(
            name="text to be engraved", got=text, expected="made of A to Z, 0 to 9, +, - and space"
        )
    unit = height_mm / 4.0
    grooves = []
    for at, letter in enumerate(text.upper()):
        for stroke in _STROKES[letter].split():
            x0, y0, x1, y1 = (int(digit) * unit for digit in stroke)
            shift = at * 3.2 * unit
            grooves.append(line(face, (x0 + shift, y0), (x1 + shift, y1)))
    return grooves


def text_width_mm(text: str, height_mm: float) -> float:
    """Return how wide a line of text is."""
    return max(len(text) * 3.2 - 1.2, 0.0) * height_mm / 4.0


def ruler(face: Face, length_mm: float, *, unit_mm: float = 1.0, below: int = 0) -> list[Solid]:
    """Return a ruler that runs up from the face's origin, its ticks to the right.

    Parameters
    ----------
    face : Face
        Zero of the ruler.
    length_mm : float
    unit_mm : float
        Distance of the ticks.
    below : int
        Number of ticks below zero.
    """
    grooves = []
    for tick in range(-below, int(np.floor(length_mm / unit_mm + 1e-9)) + 1):
        up = tick * unit_mm
        long = 2.2 if tick % 10 == 0 else 1.6 if tick % 5 == 0 else 0.9
        grooves.append(line(face, (0.0, up), (long, up)))
        if tick % 5 == 0 and tick >= 0 and up + 0.8 <= length_mm:
            grooves += engraved_text(face.moved(long + 0.7, up - 0.7), str(tick), 1.4)
    return grooves


def arrow(face: Face, length_mm: float) -> list[Solid]:
    """Return an arrow that points to the right, its tail at the face's origin."""
    head = 0.35 * length_mm
    tip = (length_mm, 0.0)
    return [
        line(face, (0.0, 0.0), tip),
        line(face, (length_mm - head, head), tip),
        line(face, (length_mm - head, -head), tip),
    ]
