"""The gallery as one HTML page that needs nothing but itself and its picture files."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

from canalwright.cautions import CLINICAL_IN_SHORT
from canalwright.reports.gallery_frame import GalleryFigure

__all__ = ["gallery_page"]

_STYLE: Final = (
    "body{font:16px/1.5 'DejaVu Sans',sans-serif;color:#1a1a1a;max-width:62rem;margin:2rem auto;"
    "padding:0 1rem}figure{margin:0 0 3rem}img{width:100%;height:auto;border:1px solid #c9c9c9}"
    "figcaption{margin-top:.5rem}a{color:#0058a3}.note{color:#595959}"
)


def gallery_page(
    drawn: Sequence[GalleryFigure], pictures: Sequence[str], *, invented: bool, motion: str = ""
) -> str:
    """Return the page.

    Parameters
    ----------
    drawn : sequence of GalleryFigure
    pictures : sequence of str
        File name of each figure, relative to the page; the same names with ``.pdf`` stand beside.
    invented : bool
        Whether to say that the canal is made up.
    motion : str
        File name of the moving picture, or the empty string.
    """
    parts = [_figure(one, name) for one, name in zip(drawn, pictures, strict=True)]
    if motion:
        parts.append(
            f'<figure><h2>In motion</h2><img src="{escape(motion)}" alt="The instrument is led '
            'into the canal depth by depth"></figure>'
        )
    mark = "<p><strong>INVENTED DATA – NOT A PATIENT</strong></p>" if invented else ""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Figures for teaching</title><style>{_STYLE}</style></head>\n<body>"
        f"<h1>Figures for teaching</h1>{mark}\n"
        + "\n".join(parts)
        + f'\n<p class="note">{escape(CLINICAL_IN_SHORT)}</p></body></html>\n'
    )


def _figure(one: GalleryFigure, picture: str) -> str:
    page = picture.rsplit(".", 1)[0] + ".pdf"
    return (
        f'<figure id="{escape(one.name)}"><h2>{escape(one.title)}</h2>'
        f'<img src="{escape(picture)}" alt="{escape(one.title)}">'
        f"<figcaption>{escape(one.caption)} "
        f'<a href="{escape(page)}">PDF</a></figcaption></figure>'
    )
