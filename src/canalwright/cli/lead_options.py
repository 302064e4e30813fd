"""Options on how instruments are led through the canal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.errors import MalformedText, UnknownName, UsageError

if TYPE_CHECKING:
    from canalwright.planning.off_center import OffCenter
    from canalwright.shaping.handling import Brush
    from canalwright.shaping.shape import Pass

__all__ = [
    "Brushes",
    "CheckFlag",
    "Depths",
    "MeshFormat",
    "MeshesFolder",
    "OffCenterFlag",
    "Pecks",
    "WearRate",
    "WorkingTime",
    "check_brushed",
    "check_sweepable",
    "lead_inputs",
    "mesh_kind",
    "off_center_options",
    "read_brush",
]

OffCenterFlag = Annotated[
    bool,
    typer.Option(
        "--off-center/--concentric",
        help="Lead instruments where the rod model places them, with wear; or keep them centered.",
    ),
]
Depths = Annotated[int, typer.Option(metavar="N", help="Insertion depths of every pass, 1 to 60.")]
Pecks = Annotated[
    int,
    typer.Option(metavar="N", help="How often an instrument is brought to its final level."),
]
WorkingTime = Annotated[
    float | None,
    typer.Option(
        "--working-s", metavar="S", help="Time every instrument turns in the canal, in seconds."
    ),
]
WearRate = Annotated[
    float | None,
    typer.Option(
        "--wear-mm2-per-n",
        metavar="K",
        help="Rate of wear of the wall in place of the assumed one; 0 leaves wear out.",
    ),
]
Brushes = Annotated[
    list[str] | None,
    typer.Option(
        "--brush",
        metavar="ID:SIDE:FROM-TO[:FORCE[:STROKES]]",
        help="Brush with an instrument at full depth: side inner, outer or an angle in degrees "
        "from direction 0, levels in mm, force in N (1), strokes (3); may be repeated.",
    ),
]
CheckFlag = Annotated[
    bool,
    typer.Option(
        "--check",
        help="Sweep the same sequence through voxels of 25 µm and set volume and thinnest wall "
        "beside those of the sections; takes about a second.",
    ),
]
MeshesFolder = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Write the canal after every step as a closed surface."),
]
MeshFormat = Annotated[str, typer.Option(metavar="stl|ply", help="Format of these surfaces.")]

_BRUSH = "an instrument, a side and levels such as engine-25-04:outer:4-9, then force and strokes"


def off_center_options(
    wanted: bool,
    *,
    depths: int,
    pecks: int,
    working_s: float | None,
    wear_mm2_per_n: float | None,
    brushes: Sequence[str],
) -> OffCenter | None:
    """Return how instruments are led, or None if they are kept centered.

    Raises
    ------
    OutOfRange
        If a number is outside its range.
    MalformedText
        If brushing is not stated as it should be.
    """
    from canalwright.evidence import Evidence, Graded
    from canalwright.planning.off_center import OffCenter
    from canalwright.shaping.handling import Handling
    from canalwright.shaping.wear import DEFAULT_WEAR, WearModel

    handling = Handling(depths=depths, pecks=pecks, working_s=working_s)
    wear = DEFAULT_WEAR
    if wear_mm2_per_n is not None:
        wear = WearModel(Graded(wear_mm2_per_n, "mm²/N", Evidence.OPERATOR))
    named = tuple(read_brush(text) for text in brushes)
    return OffCenter(handling, wear, named) if wanted else None


def check_brushed(how: OffCenter | None, passes: Sequence[Pass]) -> None:
    """Refuse brushing with an instrument that is not in the sequence.

    Raises
    ------
    UnknownName
    """
    used = tuple(dict.fromkeys(made.instrument.id for made in passes))
    for name, _ in () if how is None else how.brushes:
        if name not in used:
            raise UnknownName(kind="instrument of the sequence to brush with", got=name, known=used)


def check_sweepable(wanted: bool, how: OffCenter | None) -> None:
    """Refuse a check by voxels of centered passes, which it does not hold.

    Raises
    ------
    UsageError
    """
    if wanted and how is None:
        raise UsageError("--check sweeps instruments where they lie: leave --concentric out.")


def read_brush(text: str) -> tuple[str, Brush]:
    """Read ``ID:SIDE:FROM-TO[:FORCE[:STROKES]]``; return the instrument's id and the brushing.

    Raises
    ------
    MalformedText
        If it is not of that form.
    OutOfRange
        If a number is outside its range.
    """
    from canalwright.shaping.handling import Brush

    parts = [part.strip() for part in text.split(":")]
    if not 3 <= len(parts) <= 5:
        raise MalformedText(name="--brush", got=text, expected=_BRUSH)
    try:
        low, high = (float(value) for value in parts[2].split("-"))
        force_n = float(parts[3]) if len(parts) > 3 else 1.0
        strokes = int(parts[4]) if len(parts) > 4 else 3
        toward = _side(parts[1])
    except ValueError:
        raise MalformedText(name="--brush", got=text, expected=_BRUSH) from None
    return parts[0], Brush(toward, low, high, force_n, strokes)


def _side(text: str) -> Any:
    """Return a side of the curve, or an angle in radians from one in degrees."""
    from math import radians

    from canalwright.shaping.handling import Toward

    return Toward(text) if text in {side.value for side in Toward} else radians(float(text))


def lead_inputs(how: OffCenter | None, brushes: Sequence[str] | None) -> dict[str, Any]:
    """Return what a document says about how instruments were led."""
    return {"off_center": how is not None, "brush": ", ".join(brushes or ()) or None}


def mesh_kind(text: str) -> str:
    """Return the format of surfaces.

    Raises
    ------
    UnknownName
        If there is no such format.
    """
    from canalwright.exchange.tube_meshes import MESH_FORMATS

    if text not in MESH_FORMATS:
        raise UnknownName(kind="mesh format", got=text, known=MESH_FORMATS)
    return text
