"""What the operator states in place of a default limit."""

from __future__ import annotations

import math
from dataclasses import replace

from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.planning.types import Limits

__all__ = ["stated_limits"]


def stated_limits(start: Limits | None = None, **values: float | None) -> Limits:
    """Return limits with those replaced that the operator gave.

    Parameters
    ----------
    start : Limits, optional
        The defaults when not given.
    **values : float or None
        By the names of `Limits`, each in the unit of its default; None keeps the default.

    Returns
    -------
    Limits

    Raises
    ------
    OutOfRange
        If a limit is not a finite number above zero.
    """
    limits = start or Limits()
    for name, value in values.items():
        if value is None:
            continue
        unit = getattr(limits, name).unit
        if not (value > 0.0 and math.isfinite(value)):
            raise OutOfRange(
                name=f"limit {name.replace('_', ' ')}", got=value, unit=unit, allowed=(0.0, None)
            )
        limits = replace(limits, **{name: Graded(value, unit, Evidence.OPERATOR)})
    return limits
