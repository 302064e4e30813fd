"""Reading a motor's exported torque log: time, speed and torque with their units.

Columns are named by quantity and unit, in any order: ``time_s, speed_rpm, torque_ncm`` or
``Time [s]; Speed [rpm]; Torque [N·cm]``. A column without a unit is refused, for a log in the
wrong unit would calibrate to nonsense.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import BadInput, MalformedText, OutOfRange, QuestionedUnit
from canalwright.units import ncm_from_torque

__all__ = ["TorqueLog", "read_torque_log"]

Floats = NDArray[np.float64]

_COLUMNS: Final = "columns 'time [s]', 'speed [rpm]' and 'torque [N·cm]' (or another torque unit)"
_QUANTITIES: Final = ("time", "speed", "torque")
_SECONDS: Final = {"s": 1.0, "ms": 1e-3, "min": 60.0}
_LEAST_ROWS: Final = 20
_LARGEST_NCM: Final = 20.0
_HEADER: Final = re.compile(r"^\s*([a-z]+)\s*[\[(_ ]\s*([^\])]+?)\s*[\])]?\s*$", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class TorqueLog:
    """A motor's record of one pass.

    Attributes
    ----------
    time_s, speed_rpm, torque_ncm : ndarray, shape (n,)
        Time strictly increasing, speed at least 0; torque may be slightly negative by offset.

    Raises
    ------
    OutOfRange
        If there are fewer than 20 rows, time does not increase, or a value is not finite or
        impossible.
    QuestionedUnit
        If the torque is beyond what any root canal instrument survives.
    """

    time_s: Floats
    speed_rpm: Floats
    torque_ncm: Floats

    def __post_init__(self) -> None:
        if not len(self.time_s) == len(self.speed_rpm) == len(self.torque_ncm) >= _LEAST_ROWS:
            raise OutOfRange(
                name="number of rows of the torque log",
                got=len(self.time_s),
                unit="",
                allowed=(_LEAST_ROWS, None),
            )
        for name, values in (("time", self.time_s), ("torque", self.torque_ncm)):
            if not np.all(np.isfinite(values)):
                raise OutOfRange(
                    name=f"{name} in the torque log", got=np.nan, unit="", allowed=(None, None)
                )
        if not np.all(np.diff(self.time_s) > 0.0):
            raise OutOfRange(
                name="smallest time step of the torque log",
                got=float(np.min(np.diff(self.time_s))),
                unit="s",
                allowed=(0.0, None),
                above=True,
                hint="Time must increase from row to row.",
            )
        _check_speed(self.speed_rpm)
        _check_torque(self.torque_ncm)


def read_torque_log(text: str) -> TorqueLog:
    """Read a torque log from the text of a CSV file.

    Parameters
    ----------
    text : str
        Header and rows, separated by comma, semicolon or tab; decimal commas are understood
        where the separator is not a comma.

    Raises
    ------
    MalformedText
        If columns or units are missing or unknown, or a number cannot be read.
    OutOfRange, QuestionedUnit
        See `TorqueLog`.
    """
    lines = [line for line in text.lstrip("\ufeff").splitlines() if line.strip()]
    if not lines:
        raise MalformedText(name="torque log", got="", expected=f"a table with {_COLUMNS}")
    separator = next((mark for mark in (";", "\t", ",") if mark in lines[0]), ",")
    rows = list(csv.reader(io.StringIO("\n".join(lines)), delimiter=separator))
    columns = _columns(rows[0])
    numbers = {
        name: np.array([_number(row, at, separator) for row in rows[1:]])
        for name, (at, _) in columns.items()
    }
    return TorqueLog(
        numbers["time"] * _seconds(columns["time"][1]),
        numbers["speed"] * _rpm(columns["speed"][1]),
        numbers["torque"] * _ncm(columns["torque"][1]),
    )


def _columns(header: list[str]) -> dict[str, tuple[int, str]]:
    found: dict[str, tuple[int, str]] = {}
    for at, name in enumerate(header):
        match = _HEADER.match(name)
        if match and match.group(1).lower() in _QUANTITIES:
            found[match.group(1).lower()] = (at, match.group(2))
    if set(found) != set(_QUANTITIES):
        raise MalformedText(
            name="header of the torque log",
            got=", ".join(header),
            expected=f"one with {_COLUMNS}",
            hint="Every column needs its unit.",
        )
    return found


def _number(row: list[str], at: int, separator: str) -> float:
    text = row[at].strip() if at < len(row) else ""
    try:
        return float(text if separator == "," else text.replace(",", "."))
    except ValueError as error:
        raise MalformedText(
            name="value in the torque log", got=text, expected="a number"
        ) from error


def _seconds(unit: str) -> float:
    if unit.lower() not in _SECONDS:
        raise MalformedText(name="time unit of the log", got=unit, expected="s, ms or min")
    return _SECONDS[unit.lower()]


def _rpm(unit: str) -> float:
    if unit.lower().replace(" ", "") not in {"rpm", "1/min", "min-1"}:
        raise MalformedText(name="speed unit of the log", got=unit, expected="rpm")
    return 1.0


def _ncm(unit: str) -> float:
    try:
        return ncm_from_torque(1.0, unit)
    except BadInput as error:
        raise MalformedText(
            name="torque unit of the log", got=unit, expected="N·cm, mN·m, N·mm, N·m or gf·cm"
        ) from error


def _check_speed(speed_rpm: Floats) -> None:
    low, high = float(np.min(speed_rpm)), float(np.max(speed_rpm))
    if not (low >= 0.0 and high <= 5000.0):
        raise OutOfRange(
            name="speed in the torque log",
            got=low if low < 0.0 else high,
            unit="rpm",
            allowed=(0.0, 5000.0),
        )
    if not high > 0.0:
        raise OutOfRange(
            name="highest speed in the torque log",
            got=high,
            unit="rpm",
            allowed=(0.0, 5000.0),
            hint="An instrument that never turned calibrates nothing.",
        )


def _check_torque(torque_ncm: Floats) -> None:
    worst = float(torque_ncm[np.argmax(np.abs(torque_ncm))])
    if abs(worst) > _LARGEST_NCM:
        raise QuestionedUnit(
            name="torque in the log",
            got=f"{worst:g} N·cm",
            meant="a log in mN·m or gf·cm",
            reason="no root canal instrument survives that; the trade's unit is N·cm.",
        )
