"""The published range of a model, kept as data beside it, and the caution outside of it."""

from __future__ import annotations

from dataclasses import dataclass

from canalwright.cautions import Caution

__all__ = ["Validity"]


@dataclass(frozen=True, slots=True)
class Validity:
    """Range in which a model was shown to hold.

    Attributes
    ----------
    quantity : str
        What the range is about, as a phrase.
    low, high : float
        Limits in `unit`, both inside.
    unit : str
    code : str
        Code of the caution raised outside.
    source : str
        Key of the bibliography.
    reason : str
        What happens outside, as a clause.
    """

    quantity: str
    low: float
    high: float
    unit: str
    code: str
    source: str
    reason: str

    def cautions(self, value: float) -> tuple[Caution, ...]:
        """Return the caution for `value`: none inside the range."""
        if self.low <= value <= self.high:
            return ()
        unit = f" {self.unit}" if self.unit else ""
        name = self.quantity[:1].upper() + self.quantity[1:]
        text = (
            f"{name} is {value:.3g}{unit}, outside the range "
            f"{self.low:g} to {self.high:g}{unit} of the model: {self.reason}."
        )
        return (Caution(self.code, text, self.source),)
