"""Tooth numbers: two digits (FDI, :cite:`iso3950`) and the Universal numbering.

Quadrants 1 to 4 are the permanent teeth (upper right, upper left, lower left, lower right as the
patient has them), 5 to 8 the deciduous ones in the same order. Rules from memory; the arithmetic
of the Universal numbering is recomputed in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from canalwright.errors import MalformedText

__all__ = ["Tooth", "parse_tooth", "tooth_from_fdi", "tooth_from_universal"]

_PERMANENT: Final = (
    "central incisor",
    "lateral incisor",
    "canine",
    "first premolar",
    "second premolar",
    "first molar",
    "second molar",
    "third molar",
)
_DECIDUOUS: Final = (
    "central incisor",
    "lateral incisor",
    "canine",
    "first molar",
    "second molar",
)
_SIDES: Final = ("upper right", "upper left", "lower left", "lower right")
_FIRST_LETTERS: Final = ("E", "F", "O", "P")


@dataclass(frozen=True, slots=True)
class Tooth:
    """One tooth by its two-digit number.

    Attributes
    ----------
    quadrant : int
        1 to 4 permanent, 5 to 8 deciduous.
    position : int
        Counted from the midline, 1 to 8 or 1 to 5.

    Raises
    ------
    MalformedText
        If there is no such tooth.
    """

    quadrant: int
    position: int

    def __post_init__(self) -> None:
        most = 8 if 1 <= self.quadrant <= 4 else 5 if 5 <= self.quadrant <= 8 else 0
        if not 1 <= self.position <= most:
            raise MalformedText(
                name="tooth number",
                got=f"{self.quadrant}{self.position}",
                expected="a two-digit tooth number such as 36 (11 to 48, deciduous 51 to 85)",
                hint="Write a Universal number with a number sign: #19.",
            )

    @property
    def fdi(self) -> str:
        """Two-digit number."""
        return f"{self.quadrant}{self.position}"

    @property
    def deciduous(self) -> bool:
        """Whether it is a deciduous tooth."""
        return self.quadrant > 4

    @property
    def upper(self) -> bool:
        """Whether it stands in the upper jaw."""
        return (self.quadrant - 1) % 4 < 2

    @property
    def universal(self) -> str:
        """Universal number 1 to 32, or letter A to T."""
        place = (self.quadrant - 1) % 4
        if self.deciduous:
            step = -1 if place in (0, 2) else 1
            return chr(ord(_FIRST_LETTERS[place]) + step * (self.position - 1))
        start, step = ((9, -1), (8, 1), (25, -1), (24, 1))[place]
        return str(start + step * self.position)

    @property
    def molar(self) -> bool:
        """Whether it is a molar."""
        return "molar" in self.kind and "premolar" not in self.kind

    @property
    def kind(self) -> str:
        """What kind of tooth it is, e.g. ``first molar``."""
        return (_DECIDUOUS if self.deciduous else _PERMANENT)[self.position - 1]

    @property
    def name(self) -> str:
        """The tooth in words, e.g. ``lower left first molar``."""
        side = _SIDES[(self.quadrant - 1) % 4]
        return f"{side} {'deciduous ' if self.deciduous else ''}{self.kind}"

    def describe(self) -> str:
        """Return both numbers and the name."""
        return f"FDI {self.fdi} / Universal #{self.universal}, {self.name}"


def tooth_from_fdi(text: str) -> Tooth:
    """Return the tooth of a two-digit number.

    Raises
    ------
    MalformedText
        If there is no such tooth.
    """
    bare = text.strip()
    if len(bare) != 2 or not (bare.isascii() and bare.isdigit()):
        raise MalformedText(
            name="tooth number",
            got=text,
            expected="a two-digit tooth number such as 36 (11 to 48, deciduous 51 to 85)",
            hint="Write a Universal number with a number sign: #19.",
        )
    return Tooth(int(bare[0]), int(bare[1]))


def tooth_from_universal(text: str) -> Tooth:
    """Return the tooth of a Universal number 1 to 32 or letter A to T.

    Raises
    ------
    MalformedText
        If there is no such tooth.
    """
    wanted = text.strip().upper()
    quadrants = range(1, 9)
    for quadrant in quadrants:
        for position in range(1, 9 if quadrant < 5 else 6):
            tooth = Tooth(quadrant, position)
            if tooth.universal == wanted:
                return tooth
    raise MalformedText(
        name="Universal tooth number", got=text, expected="1 to 32, or A to T for deciduous teeth"
    )


def parse_tooth(text: str) -> Tooth:
    """Return the tooth of ``36`` (two digits) or ``#19`` (Universal).

    A bare number is always a two-digit number, because 11 to 18 mean other teeth in the two
    systems.
    """
    bare = text.strip()
    return tooth_from_universal(bare[1:]) if bare.startswith("#") else tooth_from_fdi(bare)
