"""What the page of figures asks for: a figure by name and its files."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Final

from canalwright.errors import CanalwrightError, UnreadableFile, UsageError
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.planning.patency import patency_pass
from canalwright.records.access.roles import Operation
from canalwright.records.nouns import Document
from canalwright.shaping.shape import Pass
from canalwright.web import figure_jobs, jobs
from canalwright.web.cabinet import canals_file
from canalwright.web.chair_uses import read_fatigue_test
from canalwright.web.fields import read_number
from canalwright.web.figure_jobs import MOVING, ShownFigure
from canalwright.web.jobs import Telling
from canalwright.web.plan_trays import OnHand, own_instruments
from canalwright.web.words import _

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.instruments.instrument import Instrument
    from canalwright.records.access.gate import Gate
    from canalwright.reports.gallery_scene import GalleryScene

__all__ = [
    "FILES",
    "MOVES",
    "MOVING",
    "FigureWishes",
    "ShownFigure",
    "canals_of_case",
    "case_choices",
    "figure_file",
    "figure_names",
    "shown_figure",
]

FILES: Final = {
    "svg": "image/svg+xml",
    "png": "image/png",
    "pdf": "application/pdf",
    "gif": "image/gif",
    "mp4": "video/mp4",
}
"""Endings of files and their media types; the last two move."""

MOVES: Final = "insertion"
"""The figure that moves."""

_MOST_CASES: Final = 100


@dataclass
class FigureWishes:
    """What is typed about a figure; empty fields are filled with what the program makes up.

    Attributes
    ----------
    name : str
    size : str
        ``print`` or ``slide``.
    instruments : list of str
        Ids, for profiles and strain.
    first, second : str
        Sequences, such as ``hand-10-02, engine-25-04@2``.
    patency : str
        Id of the patency file.
    fatigue_strain, fatigue_turns : str
        A fatigue test in percent and turns.
    canal : Canal or None
        A measured one; else one is made up.
    """

    name: str = "profiles"
    size: str = "print"
    instruments: list[str] = field(default_factory=list)
    first: str = ""
    second: str = ""
    patency: str = ""
    fatigue_strain: str = ""
    fatigue_turns: str = ""
    canal: Canal | None = None
    on_hand: OnHand = field(default_factory=OnHand)

    @property
    def own(self) -> tuple[Instrument, ...]:
        """Instruments of recorded trays, which may be named beside the standard ones."""
        listed = [one for kept in self.on_hand.trays for one in own_instruments(kept)]
        return tuple({one.id: one for one in listed}.values())


def case_choices(gate: Gate) -> dict[str, str]:
    """Return the cases that the visitor reaches, the newest first, id to name."""
    if not gate.allows(Operation.CASE_LIST):
        return {}
    cases = [line.case for line in gate.cases(limit=_MOST_CASES).lines]
    return {
        case.id: f"{case.pseudonym} · {case.label}" if case.label else case.pseudonym
        for case in cases
    }


def canals_of_case(gate: Gate, case_id: str) -> dict[str, Canal]:
    """Return the measured canals of a case by name, those of later documents before others."""
    with gate.reading(Operation.CASE_READ, case_id) as reading:
        found = reading.find(Document, case_id=case_id, document_kind="canals", withdrawn=False)
    named: dict[str, Canal] = {}
    for one in found:
        with suppress(UnreadableFile):
            named |= {canal.name: canal for canal in canals_file(gate, case_id, one.id).canals}
    return named


@cache
def figure_names() -> dict[str, str]:
    """Return every figure with what it shows."""
    from canalwright.reports.gallery import FIGURES

    return {name: words for name, (words, _draw) in FIGURES.items()}


def shown_figure(wishes: FigureWishes, progress: Telling | None = None) -> ShownFigure:
    """Draw a figure in a process of its own; the caption stands beside it on the screen.

    Raises
    ------
    CanalwrightError
        If a field cannot be read, or the figure cannot be drawn from what is given.
    """
    return jobs.do(
        figure_jobs.drawn, _scene(wishes), wishes.name, wishes.size, progress=progress, tells=False
    )


def figure_file(wishes: FigureWishes, ending: str, progress: Telling | None = None) -> bytes:
    """Return a figure as a file, with its caption in it.

    Parameters
    ----------
    wishes : FigureWishes
    ending : str
        One of `FILES`.

    Raises
    ------
    CanalwrightError
        As `shown_figure`; or if a figure that does not move is to be a moving picture.
    """
    if ending in MOVING and wishes.name != MOVES:
        raise UsageError(_("Only the figure of an insertion moves."))
    given = (_scene(wishes), wishes.name, wishes.size, ending)
    return jobs.do(figure_jobs.written, *given, progress=progress, tells=False)


def _scene(wishes: FigureWishes) -> GalleryScene:
    from canalwright.reports.gallery_scene import gallery_scene

    own = wishes.own
    sequences = tuple(
        (name, _passes(text, own, name))
        for name, text in (("A", wishes.first), ("B", wishes.second))
        if text.strip()
    )
    patency = None
    if wishes.patency:
        patency = patency_pass(find_instrument(wishes.patency, own))
    return gallery_scene(
        wishes.canal,
        instruments=tuple(find_instrument(one, own) for one in wishes.instruments),
        sequences=sequences,
        patency=patency,
        parameters=_parameters(wishes),
    )


def _parameters(wishes: FigureWishes) -> LoadParameters:
    test = read_fatigue_test(wishes.fatigue_strain, wishes.fatigue_turns)
    return DEFAULT_LOAD_PARAMETERS if test is None else test.parameters()


def _passes(text: str, own: tuple[Instrument, ...], name: str) -> tuple[Pass, ...]:
    """Read ``ID, ID@LEVEL, …``."""
    made = []
    for part in text.replace(";", ",").split(","):
        kind, at, level = part.strip().partition("@")
        if not kind.strip():
            continue
        tip = read_number(level, name=_("level"), unit="mm") if at else 0.0
        try:
            made.append(Pass(find_instrument(kind.strip(), own), tip))
        except CanalwrightError as error:
            raise UsageError(
                _("Sequence {name}: {why}").format(name=name, why=error.sentence())
            ) from None
    return tuple(made)
