"""The error tree: what is wrong, the value received, what is allowed and by whom, what to do.

::

    CanalwrightError                exit code 1, never raised itself
    ├── UsageError                  2  the command or call is put wrongly
    │   └── UnknownName             2  an instrument, canal or option nobody knows
    ├── BadInput                    3  the data cannot be used as they are
    │   ├── OutOfRange              3  a number outside what is physically possible
    │   ├── QuestionedUnit          3  a number that only makes sense in another unit
    │   ├── MalformedText           3  a point, a list or a quantity that cannot be read
    │   ├── UnreadableFile          3  missing, truncated, or not what its name says
    │   ├── FaultyRows              3  a table some rows of which cannot be used
    │   ├── MissingSpacing          3  an image without a trustworthy voxel size
    │   ├── MissingScale            3  a radiograph without a trustworthy scale
    │   ├── NotInVolume             3  a point that lies outside the image
    │   ├── NotACanal               3  no canal can be followed between two points
    │   ├── NotFoundInScan          3  a scan in which no tooth or no canal is found
    │   └── NotOneTooth             3  two images or canals that do not show the same tooth
    └── NoFeasiblePlan              4  every sequence breaks a limit

A leaf builds its sentence from its fields, so that command line, page and JSON show the same text.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, ClassVar

__all__ = [
    "BadInput",
    "CanalwrightError",
    "FaultyRows",
    "MalformedText",
    "MissingScale",
    "MissingSpacing",
    "NoFeasiblePlan",
    "NotACanal",
    "NotFoundInScan",
    "NotInVolume",
    "NotOneTooth",
    "OutOfRange",
    "QuestionedUnit",
    "UnknownName",
    "UnreadableFile",
    "UsageError",
    "first_faults",
]


class CanalwrightError(Exception):
    """Base of every error this package raises on purpose.

    Attributes
    ----------
    exit_code : int
        What the command line ends with.
    """

    exit_code: ClassVar[int] = 1

    def sentence(self) -> str:
        """Return the whole message as one line of text."""
        return " ".join(super().__str__().split())

    def __str__(self) -> str:
        return self.sentence()

    def __reduce__(self) -> tuple[Any, ...]:
        # Keyword-only fields do not survive the default pickling that process pools rely on.
        return _rebuild, (type(self), self.args, dict(self.__dict__))


def _rebuild(
    kind: type[CanalwrightError], args: tuple[Any, ...], state: dict[str, Any]
) -> CanalwrightError:
    error = kind.__new__(kind)
    error.args = args
    error.__dict__.update(state)
    return error


class UsageError(CanalwrightError):
    """A command or call that is put wrongly."""

    exit_code = 2


class BadInput(CanalwrightError):
    """Data that cannot be used as they are; nothing was written."""

    exit_code = 3


@dataclass(kw_only=True, eq=False)
class UnknownName(UsageError):
    """A name that is not in the list of known ones."""

    kind: str
    got: str
    known: tuple[str, ...]
    hint: str = ""

    def sentence(self) -> str:
        """Return the message."""
        shown = ", ".join(self.known[:12]) + (", …" if len(self.known) > 12 else "")
        return _join(f"There is no {self.kind} called {self.got!r}; known: {shown}.", self.hint)


@dataclass(kw_only=True, eq=False)
class OutOfRange(BadInput):
    """A number outside what is possible or allowed.

    Attributes
    ----------
    above : bool
        Whether the lower end of `allowed` is not allowed itself. An end that was received and
        refused is said to be outside without it.
    """

    name: str
    got: float
    unit: str
    allowed: tuple[float | None, float | None]
    source: str = ""
    hint: str = ""
    above: bool = False

    def sentence(self) -> str:
        """Return the message."""
        by = f" ({self.source})" if self.source else ""
        return _join(
            f"{_capital(self.name)} is {_number(self.got)}{_unit(self.unit)}; "
            f"allowed: {_interval(self.allowed, self.unit, *self._open_ends())}{by}.",
            self.hint,
        )

    def _open_ends(self) -> tuple[bool, bool]:
        """Return which ends are not allowed themselves: those that were refused."""
        low, high = self.allowed
        return self.above or (self.got == low != high), self.got == high != low


@dataclass(kw_only=True, eq=False)
class QuestionedUnit(BadInput):
    """A quantity that makes sense only in another unit than the one given."""

    name: str
    got: str
    meant: str
    reason: str

    def sentence(self) -> str:
        """Return the message."""
        return f"{_capital(self.name)} {self.got}: {self.reason} Did you mean {self.meant}?"


@dataclass(kw_only=True, eq=False)
class MalformedText(BadInput):
    """Text that cannot be read as what it should be."""

    name: str
    got: str
    expected: str
    hint: str = ""

    def sentence(self) -> str:
        """Return the message."""
        return _join(f"{_capital(self.name)} {self.got!r} is not {self.expected}.", self.hint)


@dataclass(kw_only=True, eq=False)
class UnreadableFile(BadInput):
    """A file that is missing, truncated or not what it should be."""

    path: str
    problem: str
    hint: str = ""

    def sentence(self) -> str:
        """Return the message."""
        return _join(f"{self.path}: {self.problem}.", self.hint)


@dataclass(kw_only=True, eq=False)
class FaultyRows(BadInput):
    """A table some rows of which cannot be used; nothing of it was taken.

    Attributes
    ----------
    path : str
    rows : int
        Number of rows that were read.
    faults : tuple of str
        One sentence for each fault: row, column, value, what is wrong, what to do.
    hint : str
    """

    path: str
    rows: int
    faults: tuple[str, ...]
    hint: str = ""

    def sentence(self) -> str:
        """Return the message with the first faults."""
        count = f"{len(self.faults)} fault{'s' if len(self.faults) != 1 else ''}"
        return _join(
            f"{self.path}: {count} in {self.rows} rows: {first_faults(self.faults)}.", self.hint
        )


@dataclass(kw_only=True, eq=False)
class MissingSpacing(BadInput):
    """An image whose voxel size cannot be trusted."""

    path: str
    reason: str

    def sentence(self) -> str:
        """Return the message."""
        return (
            f"{self.path}: {self.reason}, so no length can be stated in millimeters; "
            "give the voxel size in mm as --spacing z,y,x (for example "
            "--spacing 0.125,0.125,0.125) if you know it from the scanner's record."
        )


@dataclass(kw_only=True, eq=False)
class MissingScale(BadInput):
    """A radiograph on which nothing can be stated in millimeters."""

    path: str
    reason: str

    def sentence(self) -> str:
        """Return the message."""
        return (
            f"{self.path}: {self.reason}, so no length can be stated in millimeters; give "
            "--known-length-mm L --between x,y:x,y for an object of known length beside the canal, "
            "or --scale-mm-per-px S if you know the size of a pixel at the tooth."
        )


@dataclass(kw_only=True, eq=False)
class NotInVolume(BadInput):
    """A point outside the image."""

    name: str
    point_mm: tuple[float, float, float]
    low_mm: tuple[float, float, float]
    high_mm: tuple[float, float, float]

    def sentence(self) -> str:
        """Return the message."""
        spans = ", ".join(
            f"{axis} {low:.1f} to {high:.1f}"
            for axis, low, high in zip("xyz", self.low_mm, self.high_mm, strict=True)
        )
        return (
            f"{_capital(self.name)} {_point(self.point_mm)} mm lies outside the volume "
            f"({spans} mm); give x,y,z in mm, in that order."
        )


@dataclass(kw_only=True, eq=False)
class NotACanal(BadInput):
    """Two points between which no canal can be followed."""

    name: str
    problem: str
    hint: str = ""

    def sentence(self) -> str:
        """Return the message."""
        return _join(f"Canal {self.name!r}: {self.problem}.", self.hint)


@dataclass(kw_only=True, eq=False)
class NotFoundInScan(BadInput):
    """A scan in which nothing was found of what was looked for."""

    sought: str
    reason: str
    hint: str = ""

    def sentence(self) -> str:
        """Return the message."""
        return _join(f"No {self.sought} was found in the scan: {self.reason}.", self.hint)


@dataclass(kw_only=True, eq=False)
class NotOneTooth(BadInput):
    """Two images, or two canals, that do not show the same tooth."""

    problem: str
    hint: str = ""

    def sentence(self) -> str:
        """Return the message."""
        return _join(f"Before and after do not show the same tooth: {self.problem}.", self.hint)


@dataclass(kw_only=True, eq=False)
class NoFeasiblePlan(CanalwrightError):
    """Every sequence from this tray breaks a limit.

    Attributes
    ----------
    target : str
        What was asked for.
    binding : tuple of str
        The constraints that stand in the way, one sentence each.
    nearest : str
        The nearest target that can be reached, or the empty string.
    """

    exit_code: ClassVar[int] = 4

    target: str
    binding: tuple[str, ...]
    nearest: str = ""

    def sentence(self) -> str:
        """Return the message."""
        why = "; ".join(self.binding) or "no instrument in the tray reaches it"
        asked = f"No sequence reaches {self.target} within the limits"
        if not self.nearest:
            return f"{asked}: {why}."
        return f"{asked}. Nearest target within the limits: {self.nearest}. In the way: {why}."


def field_values(error: CanalwrightError) -> dict[str, Any]:
    """Return the fields of a leaf for JSON, or an empty mapping for plain errors."""
    try:
        names = [f.name for f in fields(error)]  # type: ignore[arg-type]
    except TypeError:
        return {}
    return {name: getattr(error, name) for name in names}


def first_faults(faults: tuple[str, ...], shown: int = 3) -> str:
    """Return the first faults as one text without a full stop, and how many more there are."""
    text = "; ".join(fault.rstrip(".") for fault in faults[:shown])
    more = len(faults) - shown
    return f"{text}; and {more} more" if more > 0 else text


def _join(first: str, hint: str) -> str:
    return f"{first} {hint}".rstrip()


def _capital(name: str) -> str:
    return name[:1].upper() + name[1:]


def _number(value: float) -> str:
    return f"{value:.4g}"


def _unit(unit: str) -> str:
    return f" {unit}" if unit else ""


def _interval(
    allowed: tuple[float | None, float | None],
    unit: str,
    above: bool = False,
    below: bool = False,
) -> str:
    low, high = allowed
    first, last = ("above" if above else "at least"), ("below" if below else "at most")
    if low is None and high is None:
        return "any"
    if low is None:
        return f"{last} {_number(high or 0.0)}{_unit(unit)}"
    if high is None:
        return f"{first} {_number(low)}{_unit(unit)}"
    if above or below:
        return f"{first} {_number(low)}, {last} {_number(high)}{_unit(unit)}"
    return f"{_number(low)} to {_number(high)}{_unit(unit)}"


def _point(point_mm: tuple[float, float, float]) -> str:
    return "({:.2f}, {:.2f}, {:.2f})".format(*point_mm)
