"""Options on loads, and load parameters from them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.errors import MalformedText

if TYPE_CHECKING:
    from canalwright.mechanics.parameters import LoadParameters

__all__ = ["FatigueTest", "LoadParametersFile", "load_parameters", "read_fatigue_test"]

LoadParametersFile = Annotated[
    Path | None,
    typer.Option(
        "--load-parameters",
        metavar="FILE",
        help="A calibration@1 document, as 'calibrate' writes it, in place of assumed values.",
    ),
]
FatigueTest = Annotated[
    str | None,
    typer.Option(
        "--fatigue-test",
        metavar="STRAIN:CYCLES",
        help="A test point of this instrument: surface strain (0.04 or 4%) and turns to fracture.",
    ),
]


def load_parameters(file: Path | None, fatigue_test: str | None = None) -> LoadParameters:
    """Return the usual parameters with what a calibration and a fatigue test change.

    Raises
    ------
    BadInput
        If the file is no calibration that can be used, or the test point makes no sense.
    """
    from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS

    parameters = DEFAULT_LOAD_PARAMETERS
    if file is not None:
        from canalwright.exchange.calibrations import read_load_parameters

        parameters = read_load_parameters(file, parameters)
    if fatigue_test is not None:
        parameters = parameters.with_fatigue_test(*read_fatigue_test(fatigue_test))
    return parameters


def read_fatigue_test(text: str) -> tuple[float, float]:
    """Read ``STRAIN:CYCLES``; the strain as a ratio or in percent with its sign.

    Raises
    ------
    MalformedText
        If it is not two finite numbers with a colon between.
    """
    strain, _, cycles = text.partition(":")
    percent = strain.strip().endswith("%")
    try:
        value, turns = float(strain.strip().removesuffix("%")), float(cycles)
    except ValueError:
        value, turns = math.nan, math.nan
    if not (math.isfinite(value) and math.isfinite(turns)):
        raise MalformedText(
            name="--fatigue-test",
            got=text,
            expected="a strain and turns to fracture such as 0.03:600 or 3%:600",
        )
    return (value / 100.0 if percent else value), turns
