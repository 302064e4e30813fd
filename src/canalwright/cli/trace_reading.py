"""Points, views and rulers of ``canalwright trace`` from text."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from canalwright.cli.reading import read_numbers
from canalwright.errors import MalformedText, UsageError

if TYPE_CHECKING:
    from canalwright.imaging.rulers import Ruler

__all__ = ["TracedView", "read_between", "read_points", "read_ruler", "read_view"]

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class TracedView:
    """A further radiograph of the same tooth."""

    path: Path
    angle_deg: float
    points_px: tuple[Point, ...]


def read_points(text: str, *, name: str) -> tuple[Point, ...]:
    """Read ``x,y;x,y;…`` in pixels.

    Raises
    ------
    MalformedText
        If a part is not two finite numbers, or there are fewer than two parts.
    """
    parts = [part for part in text.split(";") if part.strip()]
    if len(parts) < 2:
        raise MalformedText(
            name=name,
            got=text,
            expected="two points or more such as 310,120;305,260;318,410",
            hint="Put the list in quotes, for ; ends a command in most shells.",
        )
    return tuple(_point(part, f"{name} point {at}") for at, part in enumerate(parts, start=1))


def read_between(text: str) -> tuple[Point, Point]:
    """Read the two ends ``x,y:x,y`` of an object of known length.

    Raises
    ------
    MalformedText
        If these are not two points.
    """
    first, colon, second = text.partition(":")
    if not colon or ":" in second:
        raise MalformedText(
            name="--between", got=text, expected="two points x,y:x,y in pixels, with a colon"
        )
    return _point(first, "--between"), _point(second, "--between")


def read_view(text: str) -> TracedView:
    """Read ``FILE:ANGLE:x,y;x,y;…``.

    Raises
    ------
    MalformedText
        If it is not so formed.
    """
    parts = text.rsplit(":", 2)
    if len(parts) != 3 or not parts[0]:
        raise MalformedText(
            name="--view",
            got=text,
            expected="FILE:ANGLE:x,y;x,y;… (a second radiograph, its angle in degrees, its points)",
        )
    (angle,) = read_numbers(parts[1], name="angle of --view", count=1, example="20")
    return TracedView(Path(parts[0]), angle, read_points(parts[2], name="--view"))


def read_ruler(
    scale_mm_per_px: float | None,
    scale_sd_mm_per_px: float | None,
    known_length_mm: float | None,
    known_length_sd_mm: float | None,
    between: str | None,
) -> Ruler | None:
    """Return the ruler that the options state, or None.

    Raises
    ------
    UsageError
        If they state two, or half of one.
    """
    if scale_mm_per_px is not None and (known_length_mm is not None or between is not None):
        raise UsageError("Give --scale-mm-per-px or --known-length-mm with --between, not both.")
    if (known_length_mm is None) != (between is None):
        raise UsageError("--known-length-mm and --between x,y:x,y belong together.")
    if scale_sd_mm_per_px is not None and scale_mm_per_px is None:
        raise UsageError("--scale-sd-mm-per-px needs --scale-mm-per-px.")
    if known_length_sd_mm is not None and known_length_mm is None:
        raise UsageError("--known-length-sd-mm needs --known-length-mm.")
    from canalwright.imaging.rulers import KNOWN_LENGTH_SD_MM, known_length_scale, stated_scale

    if scale_mm_per_px is not None:
        return stated_scale(scale_mm_per_px, scale_sd_mm_per_px)
    if known_length_mm is None or between is None:
        return None
    length_sd = KNOWN_LENGTH_SD_MM.value if known_length_sd_mm is None else known_length_sd_mm
    return known_length_scale(read_between(between), known_length_mm, length_sd_mm=length_sd)


def _point(text: str, name: str) -> Point:
    x, y = read_numbers(text, name=name, count=2, example="310,120")
    return x, y
