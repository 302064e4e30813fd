"""Options on the limits of planning, and on what single instruments have been through."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from canalwright.cli.bundles import Bundle

if TYPE_CHECKING:
    from canalwright.planning.types import Limits
    from canalwright.planning.used_life import UsedLife

__all__ = ["LIMITS", "LIMITS_AND_LIVES", "LimitOptions"]

LimitsFile = Annotated[
    Path | None,
    typer.Option(
        "--limits",
        metavar="FILE",
        help="Limits of your own (.toml or .yaml); 'canalwright limits' writes a file to start "
        "from. Single limits come on top.",
    ),
]
UsedFile = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help="A used-life@1 document: what single instruments have been through.",
    ),
]


@dataclass(frozen=True, eq=False)
class LimitOptions:
    """Limits and lives, with the files they come from."""

    limits: Limits
    used: tuple[UsedLife, ...] = ()
    limits_file: Path | None = None
    used_file: Path | None = None

    def inputs(self) -> dict[str, Any]:
        """Return what a document says about them: names and digests of files."""
        from canalwright.exchange.inputs import file_digest

        files = {"limits": self.limits_file, "used": self.used_file}
        return {
            name: {"file": path.name, "sha256": file_digest(path)}
            for name, path in files.items()
            if path is not None
        }


def _read(
    limits_file: Path | None = None, used: Path | None = None, **stated: float | None
) -> LimitOptions:
    """Read files of limits and lives; single limits replace those of the file."""
    from canalwright.planning.stated import stated_limits

    start = None
    if limits_file is not None:
        from canalwright.exchange.limits import read_limits

        start = read_limits(limits_file).limits
    return LimitOptions(stated_limits(start, **stated), _lives(used), limits_file, used)


def _lives(path: Path | None) -> tuple[UsedLife, ...]:
    if path is None:
        return ()
    from canalwright.exchange.used_lives import read_used_lives

    return read_used_lives(path)


def _limit(metavar: str, text: str) -> tuple[Any, None]:
    option = typer.Option(metavar=metavar, help=f"Limit: {text}")
    return Annotated[float | None, option], None


_SINGLE: Final = {
    "step_percent": _limit("%", "largest step of an engine-driven instrument at any level."),
    "hand_step_percent": _limit("%", "largest step of a hand instrument at any level."),
    "step_mm": _limit("MM", "largest step of any instrument at any level."),
    "engaged_mm": _limit("MM", "longest stretch over which an instrument cuts."),
    "dentin_left_mm": _limit("MM", "least dentin left where an instrument cuts."),
    "over_target_mm": _limit("MM", "how far a cut may go beyond the target diameter."),
    "glide_path_mm": _limit("MM", "canal width needed before engine-driven files."),
    "glide_start_mm": _limit("MM", "canal width needed before engine-driven glide files."),
    "step_area_percent": _limit("%", "largest growth of the section's area at any level."),
    "torque_fraction": _limit(
        "SHARE", "largest mean torque, as a share of the estimated strength."
    ),
    "torque_peak_fraction": _limit(
        "SHARE", "the same at the end of the advance, rubbing included."
    ),
    "strain": _limit("RATIO", "largest surface strain of an engine-driven instrument."),
    "fatigue_fraction": _limit("SHARE", "largest share of the mean life of one instrument."),
    "screw_in_n": _limit("N", "largest pull toward the terminus."),
    "transportation_mm": _limit("MM", "largest transportation at any level."),
}

_FILES: Final = {"limits_file": (LimitsFile, None), "used": (UsedFile, None)}

LIMITS_AND_LIVES: Final = Bundle(_FILES, _read)
"""Files of limits and lives."""

LIMITS: Final = Bundle({**_FILES, **_SINGLE}, _read)
"""The same, and single limits."""
