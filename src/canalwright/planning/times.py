"""How long a step takes: assumed, editable, and only good for ranking plans."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Kind

__all__ = ["DEFAULT_TIMES", "TimeModel"]

_NOTE: Final = "ranks plans against each other; no measurement found"


@dataclass(frozen=True, slots=True)
class TimeModel:
    """Seconds per step.

    Attributes
    ----------
    take_up_s : Graded
        Taking up an instrument, setting its stop and cleaning it.
    irrigation_s, recapitulation_s : Graded
        Irrigating, and going to length with a small file, after every step.
    hand_settle_s, engine_settle_s : Graded
        Time in the canal without cutting: finding the way, first pecks.
    hand_rate_mm3_per_s, engine_rate_mm3_per_s : Graded
        Dentin cut per second.
    hand_speed_rpm : Graded
        Turning of a hand instrument, for its loads.
    gauging_s : Graded
        Gauging the terminus at the end.
    """

    take_up_s: Graded = Graded(10.0, "s", Evidence.ASSUMED, note=_NOTE)
    irrigation_s: Graded = Graded(12.0, "s", Evidence.ASSUMED, note=_NOTE)
    recapitulation_s: Graded = Graded(8.0, "s", Evidence.ASSUMED, note=_NOTE)
    hand_settle_s: Graded = Graded(20.0, "s", Evidence.ASSUMED, note=_NOTE)
    engine_settle_s: Graded = Graded(4.0, "s", Evidence.ASSUMED, note=_NOTE)
    hand_rate_mm3_per_s: Graded = Graded(0.01, "mm³/s", Evidence.ASSUMED, note=_NOTE)
    engine_rate_mm3_per_s: Graded = Graded(0.08, "mm³/s", Evidence.ASSUMED, note=_NOTE)
    hand_speed_rpm: Graded = Graded(30.0, "rpm", Evidence.ASSUMED, note="half a turn a second")
    gauging_s: Graded = Graded(20.0, "s", Evidence.ASSUMED, note=_NOTE)

    @property
    def change_s(self) -> float:
        """Time beside working in the canal: taking up, irrigating and recapitulating once."""
        return self.take_up_s.value + self.irrigation_s.value + self.recapitulation_s.value

    def settle_s(self, kind: Kind) -> float:
        """Return the time in the canal without cutting."""
        return (self.hand_settle_s if kind is Kind.HAND else self.engine_settle_s).value

    def rate_mm3_per_s(self, kind: Kind) -> float:
        """Return the dentin cut per second."""
        rate = self.hand_rate_mm3_per_s if kind is Kind.HAND else self.engine_rate_mm3_per_s
        return rate.value

    def working_s(self, kind: Kind, removed_mm3: float) -> float:
        """Return the time an instrument works in the canal."""
        return self.settle_s(kind) + removed_mm3 / self.rate_mm3_per_s(kind)

    def step_s(self, kind: Kind, removed_mm3: float) -> float:
        """Return the whole time of one step."""
        return self.change_s + self.working_s(kind, removed_mm3)


DEFAULT_TIMES: Final = TimeModel()
