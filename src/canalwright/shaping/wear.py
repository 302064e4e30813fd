"""How a turning instrument wears the wall it presses on.

Depth of wear is taken as proportional to pressure and to sliding distance, as in Archard's law
:cite:`archard1953`: ``depth = k · (q / d) · π d · turns`` with the wall force per length q and the
instrument's diameter d, which cancels. So depth is k π q per turn. An instrument that fills its
canal is guided by it and cuts all round; what moves the canal is this dwell of a springy
instrument in a curve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded

__all__ = ["DEFAULT_WEAR", "WEAR_ASSUMED", "WEAR_CALIBRATED", "WearModel"]

_LARGEST_MM2_PER_N: Final = 0.1

WEAR_ASSUMED: Final = Caution(
    "WEAR_ASSUMED",
    "How far a canal is transported rests on an assumed rate of wear, chosen so that engine-driven "
    "sequences in curved canals reach published values: it shows where and to which side, and "
    "ranks sequences; it does not predict the amount in one tooth.",
    "project rule",
)
WEAR_CALIBRATED: Final = Caution(
    "WEAR_CALIBRATED",
    "How far a canal is transported rests on a rate of wear fitted to one canal that was measured "
    "before and after; another instrument, hand or dentin need not share it.",
    "project rule",
)


@dataclass(frozen=True, slots=True)
class WearModel:
    """Rate of wear of dentin under a turning instrument.

    Attributes
    ----------
    rate_mm2_per_n : Graded
        Depth per pressure and sliding distance, k in the module's formula (mm per N/mm² and mm);
        0 leaves wear out. At most 0.1.

    Raises
    ------
    OutOfRange
        If the rate is negative or beyond that.
    """

    rate_mm2_per_n: Graded = Graded(
        1.5e-3,
        "mm²/N",
        Evidence.ASSUMED,
        note="no measurement found; chosen so that a usual engine sequence in a 30 degree curve "
        "of 5 mm radius straightens it by the published 1.4 degrees and moves it by 0.05 to "
        "0.1 mm, of the order of published 0.05 to 0.19 mm",
    )

    def __post_init__(self) -> None:
        value = self.rate_mm2_per_n.value
        if not 0.0 <= value <= _LARGEST_MM2_PER_N:
            raise OutOfRange(
                name="rate of wear", got=value, unit="mm²/N", allowed=(0.0, _LARGEST_MM2_PER_N)
            )

    @property
    def depth_per_turn_mm2_per_n(self) -> float:
        """Depth per wall force per length (N/mm) and turn."""
        return math.pi * self.rate_mm2_per_n.value

    @property
    def caution(self) -> Caution:
        """What rests on the rate: an assumption, or a calibration."""
        measured = self.rate_mm2_per_n.evidence is Evidence.MEASURED
        return WEAR_CALIBRATED if measured else WEAR_ASSUMED


DEFAULT_WEAR: Final = WearModel()
