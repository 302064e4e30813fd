"""Which of several non-dominated sequences comes first."""

from __future__ import annotations

from collections.abc import Iterable
from math import ceil
from typing import Final

from canalwright.planning.search import Candidate

__all__ = ["BAND", "COMFORTABLE_RISK", "band_of", "recommended_first"]

COMFORTABLE_RISK: Final = 0.8
"""Share of a limit up to which fewer passes are preferred to lower risk; a choice."""

BAND: Final = 0.05
"""Above that, shares within one band of this width count as alike."""

_SAME: Final = 1e-6


def recommended_first(candidates: Iterable[Candidate]) -> tuple[Candidate, ...]:
    """Return candidates in the order of recommendation.

    Those that stay within 80 % of every limit on step and engagement come first, then those
    within 85 % and so on; in each group by number of passes, risk, dentin removed, time.
    """
    return tuple(sorted(candidates, key=_preference))


def _preference(candidate: Candidate) -> tuple[float, ...]:
    risk = round(candidate.risk, 6)
    removed = round(candidate.removed_mm3, 6)
    return float(band_of(risk)), float(len(candidate.passes)), risk, removed, candidate.time_s


def band_of(risk: float) -> int:
    """Return 0 for a comfortable share of a limit, 1 for up to 5 % of it more, and so on."""
    return max(ceil((round(risk, 6) - COMFORTABLE_RISK) / BAND - _SAME), 0)
