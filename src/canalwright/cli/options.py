"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = [
    "CanalName",
    "CanalsFile",
    "CoronalLimitMm",
    "FiguresFolder",
    "JsonFile",
    "LooseMm",
    "Patency",
    "PatencyPastMm",
    "Series",
    "Spacing",
    "TargetSize",
    "TargetTaper",
    "TorqueLimit",
    "TrayFile",
    "WorkingLengthMm",
]

JsonFile = Annotated[
    str | None,
    typer.Option(
        "--json",
        metavar="FILE",
        help="Write the result as JSON; '-' writes it to standard output and nothing else there.",
    ),
]
Spacing = Annotated[
    str | None,
    typer.Option(
        metavar="Z,Y,X",
        help="Voxel size in mm, for files that do not state one that can be trusted.",
    ),
]
Series = Annotated[
    str | None,
    typer.Option(
        metavar="UID", help="Which series of a DICOM folder: its number or the end of its UID."
    ),
]
FiguresFolder = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Write figures (PNG and SVG) into this folder."),
]
CanalsFile = Annotated[
    Path,
    typer.Argument(metavar="CANALS", help="A canals@1 document, as 'measure' writes it."),
]
CanalName = Annotated[
    str | None,
    typer.Option(
        "--canal", metavar="NAME", help="Which canal; may be left out if the file has only one."
    ),
]
Patency = Annotated[
    str | None,
    typer.Option(
        metavar="ID", help="A small file that was first taken past the terminus, e.g. hand-10-02."
    ),
]
PatencyPastMm = Annotated[
    float, typer.Option(metavar="MM", help="How far the patency file went past the terminus.")
]
LooseMm = Annotated[
    float,
    typer.Option(
        metavar="MM",
        help="How much wider than itself the patency file leaves the canal when worked until "
        "loose (common practice).",
    ),
]
TrayFile = Annotated[
    str,
    typer.Option(metavar="TRAY", help="'standard', or a tray file of your own (.csv or .yaml)."),
]
TargetSize = Annotated[int, typer.Option(metavar="SIZE", help="Apical size wanted, ISO number.")]
TargetTaper = Annotated[
    float, typer.Option(metavar="MM/MM", help="Taper wanted: 0.04 is a 4 % taper.")
]
CoronalLimitMm = Annotated[
    float | None,
    typer.Option(metavar="MM", help="Highest level at which the target must be met."),
]
WorkingLengthMm = Annotated[
    float | None,
    typer.Option(metavar="MM", help="From the coronal reference point to the terminus."),
]
TorqueLimit = Annotated[
    str | None,
    typer.Option(metavar="TORQUE", help="The motor's limit, e.g. '2 N·cm' or '150 gf·cm'."),
]
