"""Where a number comes from: every default parameter is a `Graded` value."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Evidence", "Graded"]


class Evidence(StrEnum):
    """Origin of a value, strongest first."""

    MEASURED = "measured"
    OPERATOR = "stated by the operator"
    STANDARD = "standard"
    PUBLISHED = "published"
    COMPUTED = "computed"
    SECOND_HAND = "published, seen second-hand"
    MEMORY = "value from memory"
    PRACTICE = "common practice, no source"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class Graded:
    """A value with its unit and origin.

    Attributes
    ----------
    value : float
    unit : str
        Unit as shown to people; empty for ratios.
    evidence : Evidence
    source : str
        Key of the bibliography; empty where there is none.
    sd : float or None
        Standard deviation in the same unit, where one is known.
    note : str
        What a reader should know about the value.
    """

    value: float
    unit: str
    evidence: Evidence
    source: str = ""
    sd: float | None = None
    note: str = ""

    def describe(self) -> str:
        """Return value, unit and origin as one phrase."""
        unit = f" {self.unit}" if self.unit else ""
        spread = f" ± {self.sd:g}" if self.sd is not None else ""
        cited = f", {self.source}" if self.source else ""
        return f"{self.value:g}{spread}{unit} ({self.evidence}{cited})"
