"""``canalwright figure``: figures for lectures, one by name or the whole gallery as a page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.load_options import FatigueTests, load_options
from canalwright.cli.made_files import report_files
from canalwright.cli.options import JsonFile, Patency, TrayFile
from canalwright.cli.output import announce, invented_notice, print_text
from canalwright.cli.reading import read_named_sequences, split_names
from canalwright.cli.writing import check_targets
from canalwright.errors import UsageError

if TYPE_CHECKING:
    from canalwright.reports.gallery_frame import GalleryFigure, Look
    from canalwright.reports.gallery_scene import GalleryScene

__all__ = ["figure"]

_MOVING = (".gif", ".mp4")
_STILL = (".svg", ".png", ".pdf")
_PAGE = "index.html"


def figure(
    name: Annotated[
        str,
        typer.Argument(
            metavar="NAME", help="A figure, 'list' to see their names, or 'gallery' for all."
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="The picture (.svg, .png, .pdf; 'insertion' also .gif, .mp4), or the folder of "
            "the gallery.",
        ),
    ] = None,
    size: Annotated[str, typer.Option(metavar="SIZE", help="'print' or 'slide' (16:9).")] = "print",
    canals: Annotated[
        Path | None,
        typer.Option("--canals", metavar="CANALS", help="A canals@1 document; else invented."),
    ] = None,
    canal: Annotated[str | None, typer.Option(metavar="NAME", help="Which canal of it.")] = None,
    instruments: Annotated[
        list[str] | None,
        typer.Option(metavar="ID,ID,…", help="Instruments for profiles and strain."),
    ] = None,
    sequence: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=ID,ID@LEVEL,…", help="Two sequences; the first is the one."),
    ] = None,
    patency: Patency = None,
    tray: TrayFile = "standard",
    fatigue_test: FatigueTests = None,
    json: JsonFile = None,
) -> None:
    """Draw a figure for teaching, with a caption that states its numbers and sources."""
    if name == "list":
        _list(json)
        return
    check_targets(json)
    target = _target(name, out)
    scene = _scene(canals, canal, instruments, sequence, patency, tray, fatigue_test)
    from canalwright.reports.gallery_frame import look_of

    look = look_of(size)
    write = _write_gallery if name == "gallery" else _write_one
    captions = write(name, scene, look, target)
    if json != "-" and name != "gallery":
        print_text(captions[name])
    invented_notice(scene.invented)
    details = {"captions": captions, "size": size}
    report_files(json, f"figure {name}", [target], details=details, invented=scene.invented)


def _list(json: str | None) -> None:
    from canalwright.cli.records_output import answer
    from canalwright.reports.gallery import FIGURES

    shown = {name: text for name, (text, _) in FIGURES.items()}
    answer(json, "figures", {"figures": shown}, (f"{name:<14}{shown[name]}" for name in shown))


def _target(name: str, out: Path | None) -> Path:
    if out is None:
        raise UsageError("Say where the figure goes: --out FILE.svg, or --out DIR for the gallery.")
    if name == "gallery":
        check_targets(folder=out)
        return out
    known = _STILL + (_MOVING if name == "insertion" else ())
    if out.suffix.lower() not in known:
        raise UsageError(f"{out}: a picture of {name!r} ends with {', '.join(known)}.")
    check_targets(out)
    return out


def _scene(
    canals: Path | None,
    canal: str | None,
    instruments: list[str] | None,
    sequence: list[str] | None,
    patency: str | None,
    tray: str,
    fatigue_test: list[str] | None,
) -> GalleryScene:
    from canalwright.cli.canals import choose_canal, passes_of, patency_pass
    from canalwright.cli.trays import own_instruments
    from canalwright.instruments.standard import find_instrument
    from canalwright.reports.gallery_scene import gallery_scene

    own = own_instruments(tray)
    named = read_named_sequences(sequence or [])
    return gallery_scene(
        None if canals is None else choose_canal(canals, canal).canal,
        instruments=tuple(find_instrument(i, own) for i in split_names(instruments or [])),
        sequences=tuple((name, passes_of(at, own)) for name, at in named.items()),
        patency=patency_pass(patency, 1.0, 0.01, own),
        parameters=load_options(None, fatigue_test or (), (), own).parameters,
    )


def _write_one(name: str, scene: GalleryScene, look: Look, target: Path) -> dict[str, str]:
    if target.suffix.lower() in _MOVING:
        from canalwright.reports.gallery_motion import write_insertion

        caption = write_insertion(scene, look, target)
    else:
        from canalwright.reports.gallery import gallery_figure
        from canalwright.reports.style import save_figure

        drawn = gallery_figure(name, scene, look)
        save_figure(drawn.figure, target, dpi=200.0)
        caption = drawn.caption
    announce(f"wrote {target}")
    return {name: caption}


def _write_gallery(_name: str, scene: GalleryScene, look: Look, folder: Path) -> dict[str, str]:
    from canalwright.exchange.files import StagedFiles
    from canalwright.reports.gallery import FIGURES, gallery_figure
    from canalwright.reports.gallery_motion import write_insertion
    from canalwright.reports.gallery_page import gallery_page
    from canalwright.reports.style import save_figure

    shown = [name for name in FIGURES if name != "terminus" or scene.patency is not None]
    drawn: list[GalleryFigure] = []
    for name in shown:
        bare = gallery_figure(name, scene, look, captioned=False)
        save_figure(bare.figure, folder / f"{name}.svg")
        save_figure(gallery_figure(name, scene, look).figure, folder / f"{name}.pdf")
        drawn.append(bare)
    write_insertion(scene, look, folder / "insertion.gif")
    page = gallery_page(
        drawn,
        [f"{one.name}.svg" for one in drawn],
        invented=scene.invented,
        motion="insertion.gif",
    )
    with StagedFiles() as staged:
        staged.write_text(str(folder / _PAGE), page)
    announce(f"wrote {folder / _PAGE} and {len(drawn)} figures")
    return {one.name: one.caption for one in drawn}
