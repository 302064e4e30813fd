"""Reports on cohorts: the same sentences, tables and figures as a page and as a tagged PDF."""

from __future__ import annotations

import datetime
import html
import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canalwright import __version__
from canalwright.cautions import CLINICAL_IN_SHORT
from canalwright.references import all_references
from canalwright.reports.pdf import typeset
from canalwright.reports.style import figure_svg, svg_element
from canalwright.reports.tables import TextTable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["CohortFigure", "CohortReport", "cohort_page", "cohort_pdf"]

_TEMPLATE: Final = "cohort.typ"


@dataclass(frozen=True, eq=False)
class CohortFigure:
    """A figure with what it shows in words."""

    figure: Figure
    caption: str


@dataclass(frozen=True, eq=False)
class CohortReport:
    """What a report is made of.

    Attributes
    ----------
    title : str
    sentences : tuple of str
    tables : tuple of TextTable
    figures : tuple of CohortFigure
    cautions : tuple of str
    sources : tuple of str
        Keys of the bibliography.
    origin : mapping of str to str
    invented : bool
    date : datetime.date
    """

    title: str
    sentences: tuple[str, ...]
    tables: tuple[TextTable, ...]
    figures: tuple[CohortFigure, ...] = ()
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()
    origin: Mapping[str, str] = field(default_factory=dict)
    invented: bool = False
    date: datetime.date = field(default_factory=datetime.date.today)


def cohort_pdf(report: CohortReport, *, kind: str = "pdf") -> list[bytes]:
    """Return the report: one tagged PDF, or a picture of every page (``png``, ``svg``)."""
    with tempfile.TemporaryDirectory(prefix="canalwright-cohort-") as folder:
        room = Path(folder)
        source = files("canalwright.reports").joinpath("templates", _TEMPLATE)
        (room / _TEMPLATE).write_bytes(source.read_bytes())
        text = json.dumps(_data(report), ensure_ascii=False)
        (room / "data.json").write_text(text, encoding="utf-8")
        for number, one in enumerate(report.figures):
            (room / f"figure-{number}.svg").write_bytes(figure_svg(one.figure))
        return typeset(room, report.date, _TEMPLATE, kind=kind)


def _data(report: CohortReport) -> dict[str, Any]:
    return {
        "title": report.title,
        "invented": report.invented,
        "date": report.date.isoformat(),
        "version": __version__,
        "clinical": CLINICAL_IN_SHORT,
        "sentences": list(report.sentences),
        "tables": [_table(one) for one in report.tables],
        "figures": [one.caption for one in report.figures],
        "cautions": list(report.cautions),
        "sources": _sources(report),
        "origin": [[name, value] for name, value in _origin(report).items()],
    }


def _table(content: TextTable) -> dict[str, Any]:
    return {
        "title": content.title,
        "heads": [head for head, _ in content.columns],
        "wraps": [kind == "text" for _, kind in content.columns],
        "aligns": ["right" if kind == "right" else "left" for _, kind in content.columns],
        "rows": [list(row) for row in content.rows],
    }


def _sources(report: CohortReport) -> list[list[str]]:
    known = all_references()
    keys = [key for key in dict.fromkeys(report.sources) if key in known]
    return [[key, known[key].text, known[key].status] for key in keys]


def _origin(report: CohortReport) -> dict[str, str]:
    return {**dict(report.origin), "program": f"Canalwright {__version__}"}


def cohort_page(report: CohortReport) -> str:
    """Return the report as one page of HTML that needs no other file."""
    parts = [f"<h1>{html.escape(report.title)}</h1>"]
    if report.invented:
        parts.append('<p class="invented">INVENTED DATA – NOT PATIENTS</p>')
    parts += [f"<p>{html.escape(text)}</p>" for text in report.sentences]
    parts += [_html_table(one) for one in report.tables]
    parts += [_html_figure(one) for one in report.figures]
    parts.append(_html_list("Cautions", (*report.cautions, CLINICAL_IN_SHORT)))
    cited = tuple(f"[{key}] {text} ({status})" for key, text, status in _sources(report))
    parts.append(_html_list("Sources", cited) if cited else "")
    parts.append(_html_list("Origin", tuple(f"{k}: {v}" for k, v in _origin(report).items())))
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>{html.escape(report.title)}</title><style>{_STYLE}</style></head><body><main>"
        + "\n".join(parts)
        + "</main></body></html>\n"
    )


_STYLE: Final = (
    "body{font:16px/1.5 'DejaVu Sans',system-ui,sans-serif;color:#1a1a1a;background:#fff;margin:0}"
    "main{max-width:62rem;margin:0 auto;padding:1.5rem}"
    ".wide{overflow-x:auto}table{border-collapse:collapse;font-size:.85rem;margin:.5rem 0 1.5rem}"
    "th,td{padding:.25rem .6rem;border-bottom:1px solid #c9c9c9;text-align:left;"
    "vertical-align:top}th{border-bottom:2px solid #1a1a1a}.right{text-align:right;"
    "font-variant-numeric:tabular-nums}figure{margin:1.5rem 0}figure svg{max-width:100%;"
    "height:auto}figcaption{font-size:.9rem}.invented{border:2px solid #1a1a1a;padding:.5rem;"
    "font-weight:bold}"
)


def _html_table(content: TextTable) -> str:
    kinds = ["right" if kind == "right" else "" for _, kind in content.columns]
    heads = "".join(
        f'<th scope="col" class="{kind}">{html.escape(head)}</th>'
        for (head, _), kind in zip(content.columns, kinds, strict=True)
    )
    rows = "".join(
        "<tr>"
        + "".join(
            f'<td class="{kind}">{html.escape(cell)}</td>'
            for cell, kind in zip(row, kinds, strict=True)
        )
        + "</tr>"
        for row in content.rows
    )
    return (
        f'<h2>{html.escape(content.title)}</h2><div class="wide"><table><thead><tr>{heads}</tr>'
        f"</thead><tbody>{rows}</tbody></table></div>"
    )


def _html_figure(one: CohortFigure) -> str:
    caption = html.escape(one.caption)
    return f"<figure>{svg_element(one.figure)}<figcaption>{caption}</figcaption></figure>"


def _html_list(title: str, items: tuple[str, ...]) -> str:
    listed = "".join(f"<li>{html.escape(item)}</li>" for item in items)
    return f"<h2>{html.escape(title)}</h2><ul>{listed}</ul>"
