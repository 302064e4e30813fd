"""Parts of a plan: limits beside what is reached, loads in full, and what is done in order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from canalwright.mechanics.pass_loads import PassLoads
from canalwright.planning.used_life import UsedLife
from canalwright.shaping.off_center_step import OffCenterStep
from canalwright.shaping.shape import Pass

__all__ = ["Action", "Confidence", "Dropped", "FullStep", "Margin"]


@dataclass(frozen=True, slots=True)
class Margin:
    """One limit against the value reached.

    Attributes
    ----------
    constraint : str
        Name of the field in `Limits`, or ``"cutting_length_mm"`` (the shaft behind the cutting
        part would meet the wall), ``"overall_length_mm"`` (too short for the working length) or
        ``"no_cut"`` (nothing to do; value and limit are steps in mm).
    value, limit : float
    unit : str
    level_mm : float or None
        Where the value is reached.
    used : float
        Share of the limit used; above 1 the limit is broken.
    """

    constraint: str
    value: float
    limit: float
    unit: str
    level_mm: float | None
    used: float


@dataclass(frozen=True, eq=False)
class FullStep:
    """One step carried out again with the instrument's true place and shape.

    Attributes
    ----------
    done : OffCenterStep
        The canal before and after it, transported.
    loads : PassLoads
        Strain of the instrument's own curve; torque of cutting at the end of the advance, and of
        rubbing.
    screw_in_n : float or None
        Pull toward the terminus; None where the pitch is not known or nothing is cut.
    margins : tuple of Margin
        Limits that this is judged by.
    life_before, life_after : UsedLife or None
        Of the physical instrument that is least used after the step; None where nothing is known
        of its fatigue.
    """

    done: OffCenterStep
    loads: PassLoads
    screw_in_n: float | None
    margins: tuple[Margin, ...]
    life_before: UsedLife | None = None
    life_after: UsedLife | None = None

    @property
    def transportation_mm(self) -> float:
        """Largest transportation at any level since the untouched canal; its sign is dropped."""
        return float(np.nan_to_num(np.abs(self.done.transportation_mm)).max(initial=0.0))


@dataclass(frozen=True, eq=False)
class Dropped:
    """A non-dominated sequence that breaks a limit once it is carried out with full loads.

    Attributes
    ----------
    passes : tuple of Pass
    step : int
        Which of them, counted from 1.
    margin : Margin
        The limit broken.
    text : str
        The same in words.
    """

    passes: tuple[Pass, ...]
    step: int
    margin: Margin
    text: str

    @property
    def made(self) -> Pass:
        """The pass that breaks it."""
        return self.passes[self.step - 1]

    @property
    def sequence(self) -> tuple[str, ...]:
        """Ids of the instruments in order."""
        return tuple(made.instrument.id for made in self.passes)


@dataclass(frozen=True, slots=True)
class Action:
    """One thing to do, in order: a step, or what goes between steps.

    Attributes
    ----------
    phase : str
        patency, scouting, glide path, crown-down, shaping, finishing, gauging, irrigation or
        recapitulation.
    text : str
    time_s : float
        Assumed.
    step : int or None
        Which step of the plan it is, counted from 1; None for what goes between.
    instrument : str
        Id, or the empty string.
    """

    phase: str
    text: str
    time_s: float
    step: int | None = None
    instrument: str = ""


@dataclass(frozen=True, slots=True)
class Confidence:
    """How sure the recommended plan was asked to be.

    Attributes
    ----------
    asked : float
        No limit is to be exceeded with a probability above 1 less this.
    samples, seed : int
    kept : bool
        Whether some plan keeps it; otherwise the one least likely to exceed a limit is first.
    exceeded : tuple of tuple of (str, float)
        For every plan in order, each limit with the probability that some step exceeds it.
    text : str
        The same in words.
    """

    asked: float
    samples: int
    seed: int
    kept: bool
    exceeded: tuple[tuple[tuple[str, float], ...], ...]
    text: str
