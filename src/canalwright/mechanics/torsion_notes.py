"""What an estimate of torsional strength cannot know, to travel beside it."""

from __future__ import annotations

from typing import Final

from canalwright.cautions import Caution

__all__ = ["ANGLE_NOT_COMPUTED", "BENT_WHILE_TWISTED", "UNWINDS"]

BENT_WHILE_TWISTED: Final = Caution(
    "BENT_WHILE_TWISTED",
    "Strength is not lowered for bending: instruments of size 20, taper .04, broke at a higher "
    "torque the more sharply they were bent. That is one break under one turn; turning in a curve "
    "tires the alloy as well.",
    "zanza2021",
)
ANGLE_NOT_COMPUTED: Final = Caution(
    "ANGLE_AT_FAILURE_NOT_COMPUTED",
    "How far the instrument twists before it breaks is not computed; the standard asks hand files "
    "for a full turn at least (value from memory), many times the elastic twist.",
    "iso3630",
)
UNWINDS: Final = Caution(
    "TWISTS_FOR_GOOD",
    "The torque is above that of first yield at some station: flutes may stay unwound or wound up. "
    "Look at the instrument before every further use and discard it if they do.",
    "project rule",
)
