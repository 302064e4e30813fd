"""How long a name stays locked after wrong passwords."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

__all__ = ["FREE_TRIES", "LONGEST_LOCK", "WINDOW", "locked_until"]

FREE_TRIES: Final = 5
WINDOW: Final = timedelta(hours=1)
_FIRST_LOCK: Final = timedelta(minutes=1)
LONGEST_LOCK: Final = timedelta(minutes=30)


def locked_until(failures: Sequence[datetime], now: datetime) -> datetime | None:
    """Return when the next try is heard, or None if it is heard now.

    Parameters
    ----------
    failures : sequence of datetime
        Wrong passwords since the last right one, in any order.
    now : datetime

    Notes
    -----
    Five tries within an hour are free; each further one doubles the lock, from 1 up to 30 minutes.
    Failures dated after `now` (a clock set back) count as if they had just happened.
    """
    recent = [min(at, now) for at in failures if at > now - WINDOW]
    if len(recent) < FREE_TRIES:
        return None
    lock = min(_FIRST_LOCK * 2 ** min(len(recent) - FREE_TRIES, 10), LONGEST_LOCK)
    opens = max(recent) + lock
    return opens if opens > now else None
