"""Irrigation needles: outside diameters in mm, and how deep they go without binding.

Nominal diameters from a gauge chart, ranges of the standard from memory :cite:`iso9626`. The
gauge itself "cannot be directly extrapolated to clinical practice" :cite:`boutsioukis2007`: depth
is computed with the thickest needle the range allows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from canalwright.errors import OutOfRange, UnknownName
from canalwright.planning.clinical.fitting import lowest_tip_level_mm
from canalwright.planning.clinical.tables import table

__all__ = [
    "Needle",
    "NeedleReach",
    "Vent",
    "jet_speed_m_per_s",
    "needle_binding_level_mm",
    "needle_reach",
    "needle_table",
    "reynolds_number",
]

_WATER_M2_PER_S = 1e-6


class Vent(StrEnum):
    """Where a needle lets the irrigant out."""

    SIDE = "side-vented"
    OPEN = "open-ended"


@dataclass(frozen=True, slots=True)
class Needle:
    """One size of needle.

    Attributes
    ----------
    gauge : int
    outer_mm, inner_mm : float
        Nominal diameters.
    least_mm, most_mm : float
        Range of the outside diameter.
    """

    gauge: int
    outer_mm: float
    inner_mm: float
    least_mm: float
    most_mm: float


@dataclass(frozen=True, slots=True)
class NeedleReach:
    """How deep one needle goes in one state of a canal.

    Attributes
    ----------
    needle : Needle
    vent : Vent
    binding_level_mm : float or None
        Lowest level its tip reaches without binding; None where it does not even enter.
    tip_level_mm : float or None
        Where its tip shall be: short of working length as wanted, and clear of where it binds.
    short_mm : float or None
        The same as a distance from working length.
    depth_mm : float or None
        From the coronal reference to the tip.
    replaces_to_end : bool
        Whether the published reach beyond the tip covers the rest.
    """

    needle: Needle
    vent: Vent
    binding_level_mm: float | None
    tip_level_mm: float | None
    short_mm: float | None
    depth_mm: float | None
    replaces_to_end: bool

    @property
    def binds(self) -> bool:
        """Whether it binds before the wanted depth."""
        if self.tip_level_mm is None or self.binding_level_mm is None:
            return True
        return self.binding_level_mm > self.tip_level_mm - _withdraw_mm() + 1e-9


def needle_table() -> tuple[Needle, ...]:
    """Return the needles of the table, widest first."""
    rows: list[dict[str, Any]] = table("irrigation")["needle_table"]["rows"]
    return tuple(Needle(**row) for row in rows)


def needle_of(gauge: int) -> Needle:
    """Return the needle of a gauge.

    Raises
    ------
    UnknownName
        If the table does not list it.
    """
    for needle in needle_table():
        if needle.gauge == gauge:
            return needle
    known = tuple(str(needle.gauge) for needle in needle_table())
    raise UnknownName(kind="needle gauge", got=str(gauge), known=known)


def needle_binding_level_mm(
    level_mm: ArrayLike, width_mm: ArrayLike, outer_mm: float, *, from_level_mm: float = 0.0
) -> float | None:
    """Return the lowest level a needle's tip reaches without binding, or None if it never enters.

    Parameters
    ----------
    level_mm, width_mm : array_like, shape (n,)
        Canal: free width over the level.
    outer_mm : float
        Outside diameter.
    from_level_mm : float
        Lowest level wanted.
    """
    return lowest_tip_level_mm(
        level_mm, width_mm, (0.0, 1.0), (outer_mm, outer_mm), from_level_mm=from_level_mm
    )


def needle_reach(
    needle: Needle,
    vent: Vent,
    level_mm: ArrayLike,
    width_mm: ArrayLike,
    *,
    end_level_mm: float,
    terminus_mm: float,
    short_mm: float,
) -> NeedleReach:
    """Return where the tip of a needle shall sit in a canal.

    Parameters
    ----------
    needle : Needle
    vent : Vent
    level_mm, width_mm : array_like, shape (n,)
        The canal as it now is.
    end_level_mm : float
        Level of the working length.
    terminus_mm : float
        From the coronal reference to level 0.
    short_mm : float
        How far short of working length the tip shall stay at least.
    """
    level = np.asarray(level_mm, float)
    end = max(end_level_mm, 0.0)
    binding = needle_binding_level_mm(level, width_mm, needle.most_mm, from_level_mm=end)
    if binding is None:
        return NeedleReach(needle, vent, None, None, None, None, False)
    wanted = end_level_mm + short_mm
    clear = binding + _withdraw_mm() if binding > end + 1e-9 else binding
    tip = max(wanted, clear)
    if tip > level[-1]:
        return NeedleReach(needle, vent, binding, None, None, None, False)
    short = tip - end_level_mm
    return NeedleReach(
        needle, vent, binding, tip, short, terminus_mm - tip, short <= replacement_mm(vent) + 1e-9
    )


def replacement_mm(vent: Vent) -> float:
    """Return how far beyond the tip the irrigant is replaced :cite:`boutsioukis2010`.

    Computed flow in a canal 45/.06 with a 30 gauge needle; other canals may differ.
    """
    row = table("irrigation")["replacement"]
    return float(row["side_vented_reach_mm" if vent is Vent.SIDE else "open_reach_mm"])


def jet_speed_m_per_s(inner_mm: float, flow_ml_per_s: float) -> float:
    """Return the mean speed of the irrigant in a needle.

    Raises
    ------
    OutOfRange
        If the bore is not above 0 or the flow is negative.
    """
    if not inner_mm > 0.0:
        raise OutOfRange(name="bore of the needle", got=inner_mm, unit="mm", allowed=(0.0, None))
    if flow_ml_per_s < 0.0:
        raise OutOfRange(name="flow", got=flow_ml_per_s, unit="mL/s", allowed=(0.0, None))
    return flow_ml_per_s * 1e-6 / (math.pi / 4.0 * (inner_mm * 1e-3) ** 2)


def reynolds_number(
    inner_mm: float, flow_ml_per_s: float, kinematic_viscosity_m2_per_s: float = _WATER_M2_PER_S
) -> float:
    """Return the Reynolds number in a needle; the usual viscosity is that of water."""
    return (
        jet_speed_m_per_s(inner_mm, flow_ml_per_s)
        * inner_mm
        * 1e-3
        / (kinematic_viscosity_m2_per_s)
    )


def _withdraw_mm() -> float:
    return float(table("irrigation")["clearance"]["withdraw_mm"])
