"""Kinds of printers, and whether a canal stays open in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.errors import OutOfRange, UnknownName
from canalwright.evidence import Evidence, Graded

__all__ = ["PRINTERS", "ChannelCheck", "Printer", "check_channel", "printer_of"]

_NOTE = "Depends on resin, layer and orientation: print a test piece first."


@dataclass(frozen=True, slots=True)
class Printer:
    """A kind of printer.

    Attributes
    ----------
    key, text : str
    least_channel_mm : Graded
        Narrowest channel that usually comes out open.
    least_detail_mm : Graded
        Narrowest groove that usually can be seen.
    """

    key: str
    text: str
    least_channel_mm: Graded
    least_detail_mm: Graded


def _printer(key: str, text: str, channel_mm: float, detail_mm: float) -> Printer:
    return Printer(
        key,
        text,
        Graded(channel_mm, "mm", Evidence.PRACTICE, note=_NOTE),
        Graded(detail_mm, "mm", Evidence.PRACTICE, note=_NOTE),
    )


PRINTERS: Final = {
    one.key: one
    for one in (
        _printer("resin-fine", "resin in a vat, layers up to 0.025 mm", 0.3, 0.2),
        _printer("resin", "resin in a vat, layers of 0.05 mm", 0.5, 0.3),
        _printer("jetting", "jetted droplets with a washable support", 0.6, 0.3),
        _printer("powder", "fused powder", 1.2, 0.5),
        _printer("filament", "filament from a 0.4 mm nozzle", 2.0, 0.6),
    )
}
"""Kinds of printers by key; their values are common practice without a source."""


def printer_of(key: str, least_channel_mm: float | None = None) -> Printer:
    """Return a kind of printer, with a least channel of the user's own if given.

    Raises
    ------
    UnknownName
        If the key is none of `PRINTERS`.
    OutOfRange
        If the least channel is not within 0.01 to 10 mm.
    """
    if key not in PRINTERS:
        raise UnknownName(kind="printer", got=key, known=tuple(PRINTERS))
    known = PRINTERS[key]
    if least_channel_mm is None:
        return known
    if not 0.01 <= least_channel_mm <= 10.0:
        raise OutOfRange(
            name="narrowest channel of the printer",
            got=least_channel_mm,
            unit="mm",
            allowed=(0.01, 10.0),
        )
    own = Graded(least_channel_mm, "mm", Evidence.OPERATOR)
    return Printer(known.key, known.text, own, known.least_detail_mm)


@dataclass(frozen=True, slots=True)
class ChannelCheck:
    """Whether a canal, at the scale it is printed in, stays open.

    Attributes
    ----------
    canal : str
    narrowest_mm : float
        Narrowest width as printed.
    narrowest_level_mm : float
        Level of the canal (not scaled) where that is.
    closed_to_level_mm : float or None
        Highest level at which the canal is narrower than the printer's least channel.
    least_channel_mm : Graded
    scale_needed : float
        Scale from which on all of the canal is wide enough.
    """

    canal: str
    narrowest_mm: float
    narrowest_level_mm: float
    closed_to_level_mm: float | None
    least_channel_mm: Graded
    scale_needed: float

    @property
    def open(self) -> bool:
        """Whether the whole canal is at least as wide as the least channel."""
        return self.closed_to_level_mm is None

    def caution(self) -> Caution:
        """Return what to say if the canal is too narrow."""
        return Caution(
            "CHANNEL_MAY_CLOSE",
            f"Canal {self.canal} is {self.narrowest_mm:.2f} mm wide as printed, and this printer "
            f"keeps channels open from about {self.least_channel_mm.describe()}: up to the "
            f"{self.closed_to_level_mm or 0.0:.1f} mm level it may come out closed. Enlarge "
            f"{self.scale_needed:.1f} times, choose a larger size, or a finer printer.",
            str(self.least_channel_mm.evidence),
        )


def check_channel(canal: Canal, printer: Printer, scale: float = 1.0) -> ChannelCheck:
    """Compare the narrow width of a canal with what a printer keeps open.

    Parameters
    ----------
    canal : Canal
    printer : Printer
    scale : float
        Printed size over true size.
    """
    narrow = canal.narrow_mm * scale
    least = printer.least_channel_mm.value
    at = int(np.argmin(narrow))
    closed = np.flatnonzero(narrow < least - 1e-9)
    return ChannelCheck(
        canal=canal.name,
        narrowest_mm=float(narrow[at]),
        narrowest_level_mm=float(canal.level_mm[at]),
        closed_to_level_mm=float(canal.level_mm[closed[-1]]) if len(closed) else None,
        least_channel_mm=printer.least_channel_mm,
        scale_needed=least / float(canal.narrow_mm[at]),
    )
