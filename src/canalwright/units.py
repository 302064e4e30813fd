"""Named unit conversions and the reading of quantities with units.

Torque is N·cm at the borders (the trade's unit) and N·mm inside mechanics. Conversions between
SI units are exact; kilogram-force uses the conventional standard gravity 9.80665 m/s²
:cite:`bipm2019`.
"""

from __future__ import annotations

import math
import re
from typing import Final

from canalwright.errors import MalformedText, OutOfRange, QuestionedUnit

__all__ = [
    "NCM_PER_TORQUE_UNIT",
    "STANDARD_GRAVITY_M_PER_S2",
    "ncm_from_torque",
    "nmm_from_ncm",
    "parse_speed_rpm",
    "parse_torque_ncm",
    "rad_per_s_from_rpm",
    "rpm_from_rad_per_s",
    "torque_from_ncm",
]

STANDARD_GRAVITY_M_PER_S2: Final = 9.80665

NCM_PER_TORQUE_UNIT: Final[dict[str, float]] = {
    "N·cm": 1.0,
    "N·mm": 0.1,
    "mN·m": 0.1,
    "N·m": 100.0,
    "gf·cm": STANDARD_GRAVITY_M_PER_S2 / 1000.0,
    "kgf·cm": STANDARD_GRAVITY_M_PER_S2,
}

_SPELLINGS: Final[dict[str, str]] = {
    name.replace("·", "").lower(): name for name in NCM_PER_TORQUE_UNIT
} | {"gcm": "gf·cm", "kgcm": "kgf·cm"}

# Largest limit that could be meant: common practice sets 1–4 N·cm, bench tests to fracture 5.5.
_LARGEST_PLAUSIBLE_NCM: Final = 20.0
_SMALLEST_PLAUSIBLE_NCM: Final = 0.02

_QUANTITY: Final = re.compile(
    r"^\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$"
)


def ncm_from_torque(value: float, unit: str) -> float:
    """Convert a torque to N·cm.

    Parameters
    ----------
    value : float
        Torque in `unit`.
    unit : str
        One of `NCM_PER_TORQUE_UNIT`; the dot may be written ``·``, ``*``, ``.``, ``-`` or left out.

    Returns
    -------
    float
        Torque in N·cm.

    Raises
    ------
    MalformedText
        If the unit is not known.
    """
    return value * NCM_PER_TORQUE_UNIT[_torque_unit(unit)]


def torque_from_ncm(torque_ncm: float, unit: str) -> float:
    """Convert a torque in N·cm to `unit`; the inverse of `ncm_from_torque`."""
    return torque_ncm / NCM_PER_TORQUE_UNIT[_torque_unit(unit)]


def nmm_from_ncm(torque_ncm: float) -> float:
    """Convert N·cm to the N·mm used inside mechanics."""
    return torque_ncm * 10.0


def rad_per_s_from_rpm(speed_rpm: float) -> float:
    """Convert revolutions per minute to radians per second."""
    return speed_rpm * 2.0 * math.pi / 60.0


def rpm_from_rad_per_s(speed_rad_per_s: float) -> float:
    """Convert radians per second to revolutions per minute."""
    return speed_rad_per_s * 60.0 / (2.0 * math.pi)


def parse_torque_ncm(text: str, *, name: str = "torque limit") -> float:
    """Read a torque such as ``"2"``, ``"2 N·cm"``, ``"150 gf.cm"`` or ``"20 mN·m"``.

    A bare number is taken as N·cm, the trade's unit. A quantity that no root canal instrument
    could meet is questioned instead of being converted silently.

    Parameters
    ----------
    text : str
        Number with an optional unit; a decimal comma is understood.
    name : str
        How messages call the quantity.

    Returns
    -------
    float
        Torque in N·cm, greater than zero.

    Raises
    ------
    MalformedText
        If there is no number, or the unit is unknown.
    OutOfRange
        If the torque is not greater than zero.
    QuestionedUnit
        If the torque is plausible only in another unit, e.g. ``"3 N·m"``.
    """
    value, unit_text = _split_quantity(text, name, "a torque such as '2 N·cm'")
    unit = _torque_unit(unit_text) if unit_text else "N·cm"
    torque_ncm = ncm_from_torque(value, unit)
    if not torque_ncm > 0.0:
        raise OutOfRange(name=name, got=value, unit=unit, allowed=(0.0, None))
    if torque_ncm > _LARGEST_PLAUSIBLE_NCM or torque_ncm < _SMALLEST_PLAUSIBLE_NCM:
        raise _questioned(name, value, unit, torque_ncm)
    return torque_ncm


def parse_speed_rpm(text: str, *, name: str = "speed") -> float:
    """Read a speed such as ``"300"``, ``"300 rpm"`` or ``"31.4 rad/s"``.

    Raises
    ------
    MalformedText
        If there is no number, or the unit is neither rpm nor rad/s.
    OutOfRange
        If the speed is negative or beyond 5,000 rpm, above anything used for shaping.
    """
    value, unit_text = _split_quantity(text, name, "a speed such as '300 rpm'")
    unit = unit_text.lower().replace(" ", "") or "rpm"
    if unit in {"rpm", "1/min", "min-1", "/min"}:
        speed_rpm = value
    elif unit in {"rad/s", "rads-1"}:
        speed_rpm = rpm_from_rad_per_s(value)
    else:
        raise MalformedText(name=name, got=text, expected="in rpm or rad/s")
    if not 0.0 <= speed_rpm <= 5000.0:
        raise OutOfRange(name=name, got=speed_rpm, unit="rpm", allowed=(0.0, 5000.0))
    return speed_rpm


def _torque_unit(text: str) -> str:
    key = re.sub(r"[\s·⋅*.\-]", "", text).lower()
    if key not in _SPELLINGS:
        known = ", ".join(NCM_PER_TORQUE_UNIT)
        raise MalformedText(name="torque unit", got=text, expected=f"one of {known}")
    return _SPELLINGS[key]


def _split_quantity(text: str, name: str, expected: str) -> tuple[float, str]:
    match = _QUANTITY.match(text)
    if match is None:
        raise MalformedText(name=name, got=text, expected=expected)
    return float(match.group(1).replace(",", ".")), match.group(2)


def _questioned(name: str, value: float, unit: str, torque_ncm: float) -> QuestionedUnit:
    too_large = torque_ncm > _LARGEST_PLAUSIBLE_NCM
    verb = "survives" if too_large else "could be limited to"
    meant = next(
        (
            f"{value:g} {other}"
            for other in ("N·cm", "N·mm", "gf·cm", "N·m")
            if other != unit
            and _SMALLEST_PLAUSIBLE_NCM
            <= value * NCM_PER_TORQUE_UNIT[other]
            <= _LARGEST_PLAUSIBLE_NCM
        ),
        "a value between 0.02 and 20 N·cm",
    )
    return QuestionedUnit(
        name=name,
        got=f"{value:g} {unit}",
        meant=meant,
        reason=(
            f"no root canal instrument {verb} {torque_ncm:g} N·cm; "
            "the trade's unit for torque is N·cm."
        ),
    )
