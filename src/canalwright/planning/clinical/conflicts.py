"""Published statements that contradict each other, shown side by side where they matter."""

from __future__ import annotations

from typing import Any

from canalwright.cautions import Caution
from canalwright.planning.clinical.tables import table
from canalwright.planning.clinical.teeth import Tooth

__all__ = ["conflicts_for"]

_ALWAYS = ("irrigation", "motor", "length")
_WARM = ("warm", "heat", "wave", "vertical")


def conflicts_for(tooth: Tooth | None, technique: str = "") -> tuple[Caution, ...]:
    """Return the conflicts that concern a tooth; those on the procedure concern every one.

    Parameters
    ----------
    tooth : Tooth or None
    technique : str
        Of obturation, in words; one that is warm has a conflict of its own.
    """
    rows: list[dict[str, Any]] = table("conflicts")["conflict"]
    return tuple(
        Caution(row["code"], row["text"], row["source"])
        for row in rows
        if _concerns(row["about"], tooth, technique)
    )


def _concerns(about: str, tooth: Tooth | None, technique: str) -> bool:
    if about in _ALWAYS:
        return True
    if about == "warm obturation":
        return any(word in technique.lower() for word in _WARM)
    if tooth is None or not tooth.molar:
        return False
    if about == "upper first molar":
        return tooth.upper and tooth.kind == "first molar" and not tooth.deciduous
    return not tooth.upper
