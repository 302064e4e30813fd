"""Results as HTML: every text is escaped here, and tables keep their headers for screen readers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from canalwright.cautions import Caution
from canalwright.reports.tables import TextTable
from canalwright.web.words import _, later

__all__ = [
    "INVENTED",
    "caution_list",
    "chip",
    "figure",
    "paragraphs",
    "sentence_list",
    "table",
    "text_table",
]

INVENTED = later('<span class="invented">INVENTED DATA – not a patient</span>')


def table(
    caption: str,
    columns: Sequence[tuple[str, str]],
    rows: Iterable[Sequence[str]],
    *,
    hide_caption: bool = False,
) -> str:
    """Return a table; cells are HTML already, headers and caption are text."""
    kinds = [kind for _name, kind in columns]
    head = "".join(
        f'<th scope="col" class="{kind}">{escape(_(name))}</th>' for name, kind in columns
    )
    body = "".join(f"<tr>{_cells(row, kinds)}</tr>" for row in rows)
    hidden = ' class="unseen"' if hide_caption else ""
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(caption)}"><table>'
        f"<caption{hidden}>{escape(caption)}</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def text_table(content: TextTable, *, hide_caption: bool = False) -> str:
    """Return a table of text."""
    rows = [[escape(cell) for cell in row] for row in content.rows]
    return table(content.title, content.columns, rows, hide_caption=hide_caption)


def chip(color: str) -> str:
    """Return a patch of the color of a size, or nothing; the size itself is always written."""
    if not color:
        return ""
    return f'<span class="chip" style="background:{escape(color)}" aria-hidden="true"></span>'


def figure(svg: str, name: str) -> str:
    """Return a drawing with a name for those who cannot see it; the tables state its values."""
    return f'<figure class="drawing" role="img" aria-label="{escape(name)}">{svg}</figure>'


def sentence_list(sentences: Iterable[str]) -> str:
    """Return sentences as a list."""
    items = "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences)
    return f"<ul>{items}</ul>" if items else ""


def paragraphs(sentences: Iterable[str]) -> str:
    """Return sentences as paragraphs."""
    return "".join(f"<p>{escape(sentence)}</p>" for sentence in sentences)


def caution_list(cautions: Iterable[Caution]) -> str:
    """Return cautions as a list, each with where it comes from."""
    items = "".join(
        f"<li>{escape(one.text)}{_source(one.source)}</li>" for one in dict.fromkeys(cautions)
    )
    return f"<ul>{items}</ul>" if items else _("<p>None beyond those at the foot of the page.</p>")


def _source(source: str) -> str:
    return f' <span class="source">[{escape(source)}]</span>' if source else ""


def _cells(row: Sequence[str], kinds: Sequence[str]) -> str:
    first, *rest = zip(row, kinds, strict=True)
    head = f'<th scope="row" class="{first[1]}">{first[0]}</th>'
    return head + "".join(f'<td class="{kind}">{cell}</td>' for cell, kind in rest)
