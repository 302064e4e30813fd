"""What a strain-life estimate cannot know, with sources, to travel beside every stated life."""

from __future__ import annotations

from typing import Final

from canalwright.cautions import Caution

__all__ = ["FATIGUE_NOTES"]

FATIGUE_NOTES: Final[tuple[Caution, ...]] = (
    Caution(
        "FATIGUE_TEMPERATURE",
        "Life at body temperature is shorter than at room temperature; a test point holds only for "
        "the temperature it was measured at.",
        "savitha2022",
    ),
    Caution(
        "FATIGUE_SPEED",
        "Turns to fracture are taken as independent of speed, as measured in tubes; in air a high "
        "speed can warm the wire and shorten its life.",
        "tobushi1998",
    ),
    Caution(
        "FATIGUE_DESIGN",
        "Results for one type of instrument differed by a factor of more than a hundred between "
        "laboratories; section, surface and history are not in this estimate.",
        "huelsmann2019",
    ),
)
