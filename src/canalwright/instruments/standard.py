"""The standard hand series, a generic engine-driven series, and instruments by id."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from functools import cache

from canalwright.errors import MalformedText, UnknownName
from canalwright.instruments import catalog
from canalwright.instruments.build import tapered_instrument
from canalwright.instruments.instrument import Instrument, Kind

__all__ = [
    "find_instrument",
    "generic_engine_instruments",
    "instrument_from_id",
    "standard_color",
    "standard_hand_instruments",
]

_ID = re.compile(r"^(hand|engine)-(\d{1,3})-(\d{2,3})$")


@cache
def standard_hand_instruments() -> tuple[Instrument, ...]:
    """Return sizes 006 to 140 at .02, thinnest first, ids ``hand-06-02`` to ``hand-140-02``.

    Sizes, colors, taper, 16 mm cutting part and tolerances are those of :cite:`iso3630`, from
    memory; length, section and alloy are assumed and listed so.
    """
    return tuple(_standard_hand(row.size) for row in catalog.standard_sizes())


@cache
def generic_engine_instruments() -> tuple[Instrument, ...]:
    """Return sizes 10 to 50 at .02, .04 and .06, ids ``engine-10-02`` to ``engine-50-06``.

    They stand for no product: everything beyond size and taper is assumed.
    """
    return tuple(_generic(Kind.ENGINE, size, taper) for size, taper in catalog.engine_series())


def standard_color(size: int) -> str:
    """Return the color of a standard size, or the empty string for a size in between."""
    return next((row.color for row in catalog.standard_sizes() if row.size == size), "")


def instrument_from_id(id: str) -> Instrument:  # noqa: A002
    """Return the standard or generic instrument that an id describes.

    Parameters
    ----------
    id : str
        ``hand-SIZE-TAPER`` or ``engine-SIZE-TAPER``; the taper in hundredths (``04``) or
        thousandths (``045``). ``engine-16-02`` is a generic instrument of an unlisted size.

    Raises
    ------
    MalformedText
        If the text is not such an id.
    OutOfRange
        If nothing of that size or taper goes into a root canal.
    """
    match = _ID.match(id.strip().lower())
    if match is None:
        raise MalformedText(
            name="instrument id",
            got=id,
            expected="an id such as hand-10-02 or engine-25-04 (kind, size, taper)",
        )
    kind, size, taper = Kind(match[1]), int(match[2]), int(match[3]) / 10 ** len(match[3])
    if kind is Kind.HAND and taper == catalog.standard_taper_mm_per_mm() and standard_color(size):
        return _standard_hand(size)
    return _generic(kind, size, taper)


def find_instrument(id: str, extra: Iterable[Instrument] = ()) -> Instrument:  # noqa: A002
    """Return the instrument called `id`.

    Parameters
    ----------
    id : str
    extra : iterable of Instrument
        The user's own instruments; they come before standard and generic ones.

    Raises
    ------
    UnknownName
        If it is neither among `extra` nor an id that describes a standard or generic instrument.
    OutOfRange
        If it describes one that nothing could be.
    """
    own = tuple(extra)
    for instrument in own:
        if instrument.id == id:
            return instrument
    try:
        return instrument_from_id(id)
    except MalformedText:
        listed = (*own, *standard_hand_instruments(), *generic_engine_instruments())
        raise UnknownName(
            kind="instrument",
            got=id,
            known=tuple(instrument.id for instrument in listed),
            hint="Any size and taper can be written as hand-SIZE-TAPER or engine-SIZE-TAPER.",
        ) from None


@cache
def _standard_hand(size: int) -> Instrument:
    instrument = tapered_instrument(
        size,
        catalog.standard_taper_mm_per_mm(),
        kind=Kind.HAND,
        cutting_length_mm=catalog.standard_cutting_length_mm(),
        tolerance_mm=catalog.tolerance_mm(size),
        color=standard_color(size),
    )
    return replace(instrument, origins=(catalog.standard_origin(), catalog.tolerance_origin()))


@cache
def _generic(kind: Kind, size: int, taper_mm_per_mm: float) -> Instrument:
    return tapered_instrument(size, taper_mm_per_mm, kind=kind, color=standard_color(size))
