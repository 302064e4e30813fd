"""Instruments from what is known of them; whatever is not known is assumed and marked so."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from canalwright.errors import OutOfRange
from canalwright.instruments import catalog
from canalwright.instruments.instrument import Instrument, Kind

__all__ = ["generic_id", "profiled_instrument", "tapered_instrument"]

LARGEST_SIZE = 200
LARGEST_TAPER_MM_PER_MM = 0.20


def generic_id(kind: Kind, size: int, taper_mm_per_mm: float) -> str:
    """Return our id, e.g. ``engine-25-04``; a taper such as .045 gets three digits."""
    per_mille = round(taper_mm_per_mm * 1000)
    taper = f"{per_mille // 10:02d}" if per_mille % 10 == 0 else f"{per_mille:03d}"
    return f"{kind.value}-{size:02d}-{taper}"


def tapered_instrument(
    size: int,
    taper_mm_per_mm: float,
    *,
    kind: Kind = Kind.ENGINE,
    id: str | None = None,  # noqa: A002
    cutting_length_mm: float | None = None,
    **stated: Any,
) -> Instrument:
    """Return an instrument of constant taper.

    Parameters
    ----------
    size : int
        ISO size number, 100 × tip diameter in mm, 1 to 200.
    taper_mm_per_mm : float
        Rise of the diameter per mm, 0 to 0.20.
    kind : Kind
    id : str, optional
        Our id by default, see `generic_id`.
    cutting_length_mm : float, optional
        Assumed by kind when not stated.
    **stated
        Further fields of `Instrument` that are known; see `profiled_instrument`.

    Raises
    ------
    OutOfRange
        If size or taper is beyond anything used in a root canal, or the profile is impossible.
    """
    _check_size_and_taper(size, taper_mm_per_mm)
    length = (
        catalog.assumed_defaults(kind).cutting_length_mm
        if cutting_length_mm is None
        else cutting_length_mm
    )
    tip = size / 100
    return profiled_instrument(
        id or generic_id(kind, size, taper_mm_per_mm),
        (0.0, length),
        (tip, round(tip + taper_mm_per_mm * length, 9)),
        kind=kind,
        size=size,
        also_assumed=("cutting_length_mm",) if cutting_length_mm is None else (),
        **stated,
    )


def profiled_instrument(
    id: str,  # noqa: A002
    knot_station_mm: tuple[float, ...],
    knot_diameter_mm: tuple[float, ...],
    *,
    kind: Kind = Kind.ENGINE,
    size: int | None = None,
    also_assumed: tuple[str, ...] = (),
    **stated: Any,
) -> Instrument:
    """Return an instrument of any diameter profile.

    Parameters
    ----------
    id, knot_station_mm, knot_diameter_mm, kind
        See `Instrument`.
    size : int, optional
        Rounded from the tip diameter when not stated.
    also_assumed : tuple of str
        Further names for ``assumed``.
    **stated
        Further fields of `Instrument`; None means not stated. Overall length, tolerance, section,
        alloy and, for engine-driven instruments, rated speed and torque are assumed when not
        stated, and then listed in ``assumed``.

    Raises
    ------
    OutOfRange
        See `Instrument`.
    """
    number = _size_of(knot_diameter_mm) if size is None else size
    known = {name: value for name, value in stated.items() if value is not None}
    usual = _usual_fields(kind, number, knot_station_mm, knot_diameter_mm)
    return Instrument(
        id=id,
        kind=kind,
        size=number,
        knot_station_mm=knot_station_mm,
        knot_diameter_mm=knot_diameter_mm,
        assumed=also_assumed + tuple(name for name in usual if name not in known),
        **(usual | known),
    )


def _size_of(diameters_mm: tuple[float, ...]) -> int:
    """Return the size number of a tip; 0 for a profile that `Instrument` will refuse."""
    usable = bool(diameters_mm) and math.isfinite(diameters_mm[0])
    return round(diameters_mm[0] * 100) if usable else 0


def _usual_fields(
    kind: Kind, size: int, stations_mm: tuple[float, ...], diameters_mm: tuple[float, ...]
) -> dict[str, Any]:
    defaults = catalog.assumed_defaults(kind)
    usual: dict[str, Any] = {
        "overall_length_mm": max((defaults.overall_length_mm, *stations_mm[-1:])),
        "tolerance_mm": catalog.tolerance_mm(size),
        "section": defaults.section,
        "alloy": defaults.alloy,
    }
    if kind is Kind.ENGINE and 0 < len(stations_mm) == len(diameters_mm):
        at_3_mm = float(np.interp(3.0, stations_mm, diameters_mm))
        usual["rated_speed_rpm"] = catalog.rated_speed_rpm()
        usual["rated_torque_ncm"] = catalog.rated_torque_ncm(at_3_mm)
    return usual


def _check_size_and_taper(size: int, taper_mm_per_mm: float) -> None:
    if not 1 <= size <= LARGEST_SIZE:
        raise OutOfRange(
            name="instrument size",
            got=size,
            unit="",
            allowed=(1, LARGEST_SIZE),
            hint="The size number is 100 times the tip diameter in mm: size 25 is 0.25 mm.",
        )
    if not 0.0 <= taper_mm_per_mm <= LARGEST_TAPER_MM_PER_MM:
        raise OutOfRange(
            name="taper",
            got=taper_mm_per_mm,
            unit="mm per mm",
            allowed=(0.0, LARGEST_TAPER_MM_PER_MM),
            hint="Taper .02 is 0.02 mm per mm, also written 2 %.",
        )
