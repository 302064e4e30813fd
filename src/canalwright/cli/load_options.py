"""Options on loads, and load parameters from them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.errors import MalformedText

if TYPE_CHECKING:
    from canalwright.instruments.instrument import Instrument
    from canalwright.mechanics.parameters import LoadParameters

__all__ = [
    "FatigueTest",
    "FatigueTests",
    "LoadOptions",
    "LoadParametersFile",
    "LoadValues",
    "load_options",
    "read_fatigue_test",
    "read_load_value",
]

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
FatigueTests = Annotated[
    list[str] | None,
    typer.Option(
        "--fatigue-test",
        metavar="[ID=]STRAIN:CYCLES",
        help="A test point of one instrument, such as engine-25-04=3%:600, or without an ID one "
        "that is to hold for all; may be repeated.",
    ),
]
LoadValues = Annotated[
    list[str] | None,
    typer.Option(
        "--load-value",
        metavar="NAME=VALUE",
        help="Another value for one parameter of the load models, such as "
        "friction_coefficient=0.3; may be repeated. Documents list them all.",
    ),
]


@dataclass(frozen=True, eq=False)
class LoadOptions:
    """Load parameters, and the options they come from."""

    parameters: LoadParameters
    file: Path | None = None
    fatigue_tests: tuple[str, ...] = ()
    values: tuple[str, ...] = ()

    def inputs(self) -> dict[str, Any]:
        """Return what a document says about them: the calibration's digest and the test points."""
        from canalwright.exchange.inputs import file_digest

        found: dict[str, Any] = {}
        if self.file is not None:
            found["load_parameters"] = str(self.file)
            found["load_parameters_sha256"] = file_digest(self.file)
        if self.values:
            found["load_values"] = ", ".join(self.values)
        if self.fatigue_tests:
            found["fatigue_test"] = ", ".join(self.fatigue_tests)
        return found


def load_options(
    file: Path | None,
    fatigue_tests: Iterable[str] = (),
    values: Iterable[str] = (),
    extra: tuple[Instrument, ...] = (),
) -> LoadOptions:
    """Return the usual parameters with what a calibration and fatigue tests change.

    Parameters
    ----------
    file : path or None
        A ``calibration@1`` document.
    fatigue_tests : iterable of str
        ``[ID=]STRAIN:CYCLES``; see `read_fatigue_test`.
    values : iterable of str
        ``NAME=VALUE``, over those of the file.
    extra : tuple of Instrument
        Instruments beside the standard ones.

    Raises
    ------
    BadInput
        If the file is no calibration that can be used, or a test point makes no sense.
    UnknownName
        If an id is of no known instrument, or a name of no parameter.
    """
    from canalwright.evidence import Evidence
    from canalwright.instruments.standard import find_instrument
    from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS

    parameters, tests, stated = DEFAULT_LOAD_PARAMETERS, tuple(fatigue_tests), tuple(values)
    if file is not None:
        from canalwright.exchange.calibrations import read_load_parameters

        parameters = read_load_parameters(file, parameters)
    for text in stated:
        name, value = read_load_value(text)
        parameters = parameters.with_value(name, value, Evidence.OPERATOR)
    for text in tests:
        name, strain, cycles = read_fatigue_test(text)
        tested = find_instrument(name, extra).id if name else ""
        parameters = parameters.with_fatigue_test(
            strain, cycles, evidence=Evidence.OPERATOR, instrument=tested
        )
    return LoadOptions(parameters, file, tests, stated)


def read_load_value(text: str) -> tuple[str, float]:
    """Read ``NAME=VALUE``.

    Raises
    ------
    MalformedText
        If it is not a name and a finite number.
    """
    name, _, number = text.partition("=")
    try:
        value = float(number)
    except ValueError:
        value = math.nan
    if not (name.strip() and math.isfinite(value)):
        raise MalformedText(
            name="--load-value",
            got=text,
            expected="a name and a number such as friction_coefficient=0.3",
        )
    return name.strip(), value


def read_fatigue_test(text: str) -> tuple[str, float, float]:
    """Read ``[ID=]STRAIN:CYCLES``: id or empty text, strain as a ratio or with its sign, turns.

    Raises
    ------
    MalformedText
        If there are not two finite numbers with a colon between.
    """
    name, _, point = text.rpartition("=")
    strain, _, cycles = point.partition(":")
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
    return name.strip(), (value / 100.0 if percent else value), turns
