"""Canals and passes named on the command line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from canalwright.cli.reading import InstrumentAt
from canalwright.errors import UnknownName, UsageError

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.exchange.canals import CanalsDocument
    from canalwright.instruments.instrument import Instrument
    from canalwright.shaping.shape import Pass

__all__ = ["ChosenCanal", "choose_canal", "choose_canals", "passes_of", "patency_pass"]


@dataclass(frozen=True, eq=False)
class ChosenCanal:
    """A canal and the document it stands in."""

    canal: Canal
    document: CanalsDocument
    path: Path


def choose_canal(path: Path, name: str | None) -> ChosenCanal:
    """Read a canals document and pick one canal.

    Raises
    ------
    UsageError
        If the file holds several canals and none is named.
    UnknownName
        If it holds none of that name.
    """
    from canalwright.exchange.canals_in import read_canals

    canals, document = read_canals(path)
    known = tuple(canal.name for canal in canals)
    if name is None and len(canals) > 1:
        raise UsageError(f"{path} holds {len(canals)} canals; say which: --canal {'|'.join(known)}")
    for canal in canals:
        if name in (None, canal.name):
            return ChosenCanal(canal, document, path)
    raise UnknownName(kind=f"canal in {path}", got=str(name), known=known)


def choose_canals(path: Path, names: tuple[str, ...]) -> tuple[ChosenCanal, ...]:
    """Read a canals document and pick the canals of these names, or all.

    Raises
    ------
    UnknownName
        If it holds none of a name.
    """
    from canalwright.exchange.canals_in import read_canals

    canals, document = read_canals(path)
    known = {canal.name: canal for canal in canals}
    for name in names:
        if name not in known:
            raise UnknownName(kind=f"canal in {path}", got=name, known=tuple(known))
    wanted = dict.fromkeys(names) or known
    return tuple(ChosenCanal(known[name], document, path) for name in wanted)


def passes_of(
    listed: tuple[InstrumentAt, ...], extra: tuple[Instrument, ...] = ()
) -> tuple[Pass, ...]:
    """Return the passes that a list of instruments and levels describes."""
    from canalwright.instruments.standard import find_instrument
    from canalwright.shaping.shape import Pass

    return tuple(Pass(find_instrument(at.instrument, extra), at.to_level_mm) for at in listed)


def patency_pass(
    instrument: str | None, past_mm: float, loose_mm: float, extra: tuple[Instrument, ...] = ()
) -> Pass | None:
    """Return the patency file's pass, or None without one."""
    if instrument is None:
        return None
    from canalwright.instruments.standard import find_instrument
    from canalwright.planning.patency import patency_pass as taken_past

    return taken_past(find_instrument(instrument, extra), past_mm, loose_mm)
