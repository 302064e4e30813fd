"""``canalwright block``: a practice block with canals in it, as STL and 3MF."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, cast

import typer

from canalwright.cli.options import JsonFile
from canalwright.cli.output import announce, invented_notice, print_cautions, print_table, table
from canalwright.cli.reading import read_numbers, split_names
from canalwright.cli.writing import check_targets
from canalwright.errors import UnknownName, UsageError

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.teaching.block import BlockWishes, PracticeBlock

__all__ = ["block"]

_SHAPES, _APICES = ("block", "tooth"), ("open", "closed")


def block(
    canals: Annotated[
        Path | None,
        typer.Argument(
            metavar="[CANALS]", help="A canals@1 document. Without it a canal is designed."
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option(metavar="FOLDER", help="Folder for block.stl, block.3mf, block.json.")
    ] = Path("block-output"),
    canal: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Canals of the document to be in the block; else all."),
    ] = None,
    length_mm: Annotated[
        float, typer.Option(metavar="MM", help="Length of a designed canal, terminus to orifice.")
    ] = 16.0,
    bend: Annotated[
        list[str] | None,
        typer.Option(
            metavar="DEG:MM",
            help="A bend of a designed canal: angle, radius; from the terminus up. A negative "
            "angle bends to the other side. [30:7]",
        ),
    ] = None,
    straight: Annotated[
        bool, typer.Option("--straight", help="Design a canal without a bend.")
    ] = False,
    straight_apical_mm: Annotated[
        float, typer.Option(metavar="MM", help="Straight part between terminus and first bend.")
    ] = 1.5,
    size: Annotated[
        int, typer.Option(metavar="SIZE", help="Narrow width at the terminus, in 1/100 mm.")
    ] = 20,
    taper: Annotated[
        float, typer.Option(metavar="MM/MM", help="Taper of the narrow width: 0.02 is 2 %.")
    ] = 0.02,
    section: Annotated[
        str, typer.Option(metavar="KIND", help="round, oval (1:2) or flat (1:4).")
    ] = "round",
    shape: Annotated[
        str, typer.Option(metavar="KIND", help="'block', a box, or 'tooth', a root with a grip.")
    ] = "block",
    apex: Annotated[
        str,
        typer.Option(
            metavar="KIND", help="'open', on to the outside past the terminus, or 'closed'."
        ),
    ] = "open",
    scale: Annotated[float, typer.Option(metavar="N", help="Printed size over true size.")] = 1.0,
    label: Annotated[
        str, typer.Option(metavar="TEXT", help="Engraved on the back: A-Z, 0-9, +, -.")
    ] = "",
    printer: Annotated[
        str,
        typer.Option(
            metavar="KIND", help="resin-fine, resin, jetting, powder or filament: what stays open."
        ),
    ] = "resin-fine",
    least_channel_mm: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Narrowest channel your own printer keeps open."),
    ] = None,
    scan: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Also write a simulated scan of the block (DICOM)."),
    ] = None,
    scan_voxel_mm: Annotated[
        float, typer.Option(metavar="MM", help="Voxel size of the simulated scan.")
    ] = 0.1,
    json: JsonFile = None,
) -> None:
    """Make a practice block: canals of a case or a designed one, for a printer."""
    check_targets(json, inputs=(canals,) if canals else (), folder=out)
    if scan is not None:
        check_targets(folder=scan)
    wishes = _wishes(shape, apex, scale, label, printer, least_channel_mm)
    found, inputs = (
        _designed(length_mm, bend, straight, straight_apical_mm, size, taper, section)
        if canals is None
        else _of_document(canals, split_names(canal or []))
    )
    from canalwright.teaching.block import practice_block

    made = practice_block(found, wishes)
    _write(made, inputs, out, json)
    if scan is not None:
        _write_scan(made, scan, scan_voxel_mm)
    if json != "-":
        _print(made)
    invented_notice(any(one.provenance.invented for one in made.canals))
    print_cautions(made.cautions)


def _wishes(
    shape: str, apex: str, scale: float, label: str, printer: str, least_mm: float | None
) -> BlockWishes:
    from canalwright.teaching.block import BlockWishes
    from canalwright.teaching.block_printers import printer_of

    for kind, got, known in (("shape", shape, _SHAPES), ("apex", apex, _APICES)):
        if got not in known:
            raise UnknownName(kind=kind, got=got, known=known)
    return BlockWishes(
        shape=cast(Literal["block", "tooth"], shape),
        apex=cast(Literal["open", "closed"], apex),
        scale=scale,
        label=label,
        printer=printer_of(printer, least_mm),
    )


def _designed(
    length_mm: float,
    bend: list[str] | None,
    straight: bool,
    straight_apical_mm: float,
    size: int,
    taper: float,
    section: str,
) -> tuple[tuple[Canal, ...], dict[str, Any]]:
    from dataclasses import asdict

    from canalwright.teaching.block_canal import Bend, CanalDesign, designed_canal

    if straight and bend:
        raise UsageError("Give either --straight or --bend.")
    texts = [] if straight else (bend or ["30:7"])
    bends = tuple(
        Bend(*read_numbers(text.replace(":", ","), name="--bend", count=2, example="30:7"))
        for text in texts
    )
    design = CanalDesign(length_mm, bends, straight_apical_mm, size, taper, section)
    return (designed_canal(design),), {
        "design": asdict(design) | {"bends": [asdict(b) for b in bends]}
    }


def _of_document(path: Path, names: tuple[str, ...]) -> tuple[tuple[Canal, ...], dict[str, Any]]:
    from canalwright.exchange.canals_in import read_canals
    from canalwright.exchange.inputs import document_input

    known, document = read_canals(path)
    by_name = {one.name: one for one in known}
    for name in names:
        if name not in by_name:
            raise UnknownName(kind="canal", got=name, known=tuple(by_name))
    chosen = tuple(by_name[name] for name in names) if names else known
    return chosen, {"canals": document_input(path, document)}


def _write(made: PracticeBlock, inputs: dict[str, Any], out: Path, json: str | None) -> None:
    from canalwright.exchange.blocks import block_document, block_meshes
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles
    from canalwright.exchange.solid_files import stl_bytes, three_mf_bytes

    text = document_text(block_document(made, inputs))
    meshes = block_meshes(made)
    note = "For practice only; not for use in patients."
    with StagedFiles() as staged:
        staged.path_for(out / "block.stl").write_bytes(stl_bytes(meshes, note))
        staged.path_for(out / "block.3mf").write_bytes(
            three_mf_bytes(meshes, title=meshes[0].name, description=note)
        )
        staged.write_text(str(out / "block.json"), text)
        if json is not None:
            staged.write_text(json, text)
    for name in ("block.stl", "block.3mf", "block.json"):
        announce(f"wrote {out / name}")


def _write_scan(made: PracticeBlock, folder: Path, voxel_mm: float) -> None:
    from canalwright.imaging.dicom_export import write_ct_series
    from canalwright.teaching.solid_voxels import scan_of_solid

    image = scan_of_solid(made.solid, voxel_mm=voxel_mm, fwhm_mm=2.0 * voxel_mm, snr=20.0)
    write_ct_series(image, folder, description="INVENTED DATA: practice block")
    announce(f"wrote {folder}")
    for canal in made.canals:
        ends = canal.centerline_mm[[-1, 0]] * made.wishes.scale
        shown = ":".join(",".join(f"{value:.3f}" for value in end) for end in ends)
        announce(f"  canalwright measure {folder} --canal {canal.name}={shown}")


def _print(made: PracticeBlock) -> None:
    size = made.solid.high_mm - made.solid.low_mm
    rows = [
        (
            check.canal,
            f"{canal.length_mm * made.wishes.scale:.2f}",
            f"{check.narrowest_mm:.2f}",
            "yes" if check.open else f"doubtful up to {check.closed_to_level_mm:.1f} mm",
            f"{check.scale_needed:.1f}",
        )
        for check, canal in zip(made.checks, made.canals, strict=True)
    ]
    columns = [
        ("canal", "left"),
        ("length as printed, mm", "right"),
        ("narrowest as printed, mm", "right"),
        ("stays open", "left"),
        ("scale needed", "right"),
    ]
    title = (
        f"Practice {made.wishes.shape}, {size[0]:.1f} × {size[1]:.1f} × {size[2]:.1f} mm, "
        f"{made.solid.volume_mm3 / 1000.0:.2f} cm³, printer: {made.wishes.printer.text}"
    )
    print_table(table(title, columns, rows))
