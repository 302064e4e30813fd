"""What plan, simulate and protocols begin with: goal, tray, patency file, loads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canalwright.cli.bundles import Bundle
from canalwright.cli.canals import ChosenCanal, passes_of, patency_pass
from canalwright.cli.goals import target_of, torque_ncm_of
from canalwright.cli.load_options import (
    FatigueTests,
    LoadOptions,
    LoadParametersFile,
    LoadValues,
    load_options,
)
from canalwright.cli.options import (
    CoronalLimitMm,
    LooseMm,
    Patency,
    PatencyPastMm,
    TargetSize,
    TargetTaper,
    TorqueLimit,
    TrayFile,
    WorkingLengthMm,
)
from canalwright.cli.reading import InstrumentAt
from canalwright.cli.trays import choose_tray, own_instruments, tray_inputs

if TYPE_CHECKING:
    from canalwright.instruments.instrument import Instrument
    from canalwright.planning.types import Target
    from canalwright.planning.used_life import Stock, UsedLife
    from canalwright.shaping.shape import Pass

__all__ = ["OPENING", "Opening"]


@dataclass(frozen=True, eq=False)
class Opening:
    """Goal and means of a treatment, read from options.

    Attributes
    ----------
    tray : str
        Name of the tray, or of its file.
    own : tuple of Instrument
        What the tray adds to the standard instruments.
    target : Target
    patency : Pass or None
    loads : LoadOptions
    working_length_mm, torque_limit_ncm : float or None
    """

    tray: str
    own: tuple[Instrument, ...]
    target: Target
    patency: Pass | None
    loads: LoadOptions
    working_length_mm: float | None
    torque_limit_ncm: float | None

    def passes(self, listed: tuple[InstrumentAt, ...]) -> tuple[Pass, ...]:
        """Return the passes that a list of instruments and levels describes."""
        return passes_of(listed, self.own)

    @property
    def settings(self) -> dict[str, Any]:
        """What planning takes beside canal, target and limits."""
        return {
            **self._limits,
            "patency": self.patency,
            "parameters": self.loads.parameters,
        }

    def stock(self, used: tuple[UsedLife, ...]) -> Stock:
        """Return the physical instruments on hand, with what they have been through."""
        from canalwright.planning.planner import stock_of

        return stock_of(choose_tray(self.tray), used)

    def inputs(self, chosen: ChosenCanal, options: Mapping[str, Any]) -> dict[str, Any]:
        """Return what a document says it was computed from."""
        from canalwright.exchange.inputs import document_input

        return {
            "canals": document_input(chosen.path, chosen.document),
            **tray_inputs(self.tray),
            **self.loads.inputs(),
            "options": {**options, **self._limits},
        }

    @property
    def _limits(self) -> dict[str, float | None]:
        return {
            "working_length_mm": self.working_length_mm,
            "torque_limit_ncm": self.torque_limit_ncm,
        }


def _opened(
    *,
    tray: str,
    target_size: int,
    target_taper: float,
    coronal_limit_mm: float | None,
    patency: str | None,
    patency_past_mm: float,
    loose_mm: float,
    working_length_mm: float | None,
    torque_limit: str | None,
    load_parameters: Path | None,
    fatigue_test: list[str] | None,
    load_value: list[str] | None,
) -> Opening:
    """Return the opening that options describe.

    Raises
    ------
    UsageError, BadInput
        If a name is not known, or a value or file cannot be used.
    """
    own = own_instruments(tray)
    return Opening(
        tray=tray,
        own=own,
        target=target_of(target_size, target_taper, coronal_limit_mm),
        patency=patency_pass(patency, patency_past_mm, loose_mm, own),
        loads=load_options(load_parameters, fatigue_test or (), load_value or (), own),
        working_length_mm=working_length_mm,
        torque_limit_ncm=torque_ncm_of(torque_limit),
    )


OPENING: Final = Bundle(
    {
        "tray": (TrayFile, "standard"),
        "target_size": (TargetSize, 30),
        "target_taper": (TargetTaper, 0.04),
        "coronal_limit_mm": (CoronalLimitMm, None),
        "patency": (Patency, None),
        "patency_past_mm": (PatencyPastMm, 1.0),
        "loose_mm": (LooseMm, 0.01),
        "working_length_mm": (WorkingLengthMm, None),
        "torque_limit": (TorqueLimit, None),
        "load_parameters": (LoadParametersFile, None),
        "fatigue_test": (FatigueTests, None),
        "load_value": (LoadValues, None),
    },
    _opened,
)
"""The options of an opening, for `canalwright.cli.bundles.taking`."""
