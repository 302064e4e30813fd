"""Trays named on the command line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canalwright.instruments.instrument import Instrument
    from canalwright.instruments.tray import Tray

__all__ = ["STANDARD", "choose_tray", "own_instruments", "tray_inputs"]

STANDARD = "standard"


def choose_tray(name: str) -> Tray:
    """Return the standard tray, or the one in a file.

    Raises
    ------
    BadInput
        If the file cannot be read as a tray.
    """
    if name == STANDARD:
        from canalwright.instruments.tray import standard_tray

        return standard_tray()
    from canalwright.exchange.tray_files import read_tray

    return read_tray(Path(name))


def own_instruments(name: str) -> tuple[Instrument, ...]:
    """Return the instruments that a tray adds to the standard and generic ones."""
    return () if name == STANDARD else choose_tray(name).instruments


def tray_inputs(name: str) -> dict[str, str]:
    """Return what a document says about the tray it rests on: its name, and a file's digest."""
    if name == STANDARD:
        return {"tray": name}
    from canalwright.exchange.inputs import file_digest

    return {"tray": name, "tray_sha256": file_digest(Path(name))}
