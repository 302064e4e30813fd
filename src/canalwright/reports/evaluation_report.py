"""The report on an evaluation as a tagged PDF: tables, pictures, cautions, origin."""

from __future__ import annotations

import datetime
import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from canalwright import __version__
from canalwright.cautions import CLINICAL_CAUTIONS, CLINICAL_IN_SHORT, Caution
from canalwright.errors import UsageError
from canalwright.references import all_references
from canalwright.reports.evaluation_figures import (
    evaluation_figure,
    expected_figure,
    outlines_figure,
)
from canalwright.reports.evaluation_tables import (
    evaluation_sentences,
    expected_table,
    form_table,
    overview_table,
    sides_table,
    summary_table,
    thirds_table,
)
from canalwright.reports.pdf import PAPERS, typeset
from canalwright.reports.style import figure_svg
from canalwright.reports.tables import TextTable
from canalwright.shaping.expected import EvaluatedCanal, ExpectedComparison

__all__ = ["EvaluationReport", "evaluation_report_pages"]

_TEMPLATE: Final = "evaluation.typ"
_ALTERNATIVES: Final = {
    "tracks": "Parallel tracks over the level in mm from the terminus: diameter before and after, "
    "transportation in two directions with one standard deviation, centering ratio, and a map of "
    "dentin removed by level and direction. The tables of this report state the values.",
    "outlines": "Outlines of canal and root in cross-sections at several levels, before and after, "
    "with scale bars. The tables of this report state the values.",
    "expected": "Expected and achieved diameter, area and transportation over the level. The table "
    "below states the values.",
}
_METHOD_SOURCES: Final = ("gambill1996", "hildebrand1997", "peters2001", "versiani2013")


@dataclass(frozen=True, eq=False)
class EvaluationReport:
    """What a report is made of.

    Attributes
    ----------
    canals : tuple of EvaluatedCanal
        At least one.
    inputs : mapping of str to str
        Files with their digests.
    title : str
    date : datetime.date
    """

    canals: tuple[EvaluatedCanal, ...]
    inputs: Mapping[str, str] = field(default_factory=dict)
    title: str = ""
    date: datetime.date = field(default_factory=datetime.date.today)


def evaluation_report_pages(
    report: EvaluationReport, *, paper: str = "a4", kind: str = "pdf"
) -> list[bytes]:
    """Return the report: one tagged PDF, or a picture of every page.

    Parameters
    ----------
    report : EvaluationReport
    paper : {"a4", "us-letter"}
    kind : {"pdf", "png", "svg"}

    Raises
    ------
    UsageError
        For another paper.
    """
    if paper not in PAPERS:
        raise UsageError(f"There is no paper called {paper!r}; known: {', '.join(PAPERS)}.")
    with tempfile.TemporaryDirectory(prefix="canalwright-evaluation-") as folder:
        room = Path(folder)
        source = files("canalwright.reports").joinpath("templates", _TEMPLATE)
        (room / _TEMPLATE).write_bytes(source.read_bytes())
        data = _data(report) | {"paper": paper}
        (room / "data.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
        for name, figure in _figures(report, PAPERS[paper]).items():
            (room / f"{name}.svg").write_bytes(figure_svg(figure))
        return typeset(room, report.date, _TEMPLATE, kind=kind)


def _figures(report: EvaluationReport, size_mm: tuple[float, float]) -> dict[str, Any]:
    width, height = size_mm
    figures = {}
    for number, canal in enumerate(report.canals):
        found = canal.found
        figures[f"tracks-{number}"] = evaluation_figure(found, size_mm=(width, height - 40.0))
        figures[f"outlines-{number}"] = outlines_figure(found, width_mm=width)
        if canal.expected is not None:
            figures[f"expected-{number}"] = expected_figure(canal.expected, size_mm=(width, 110.0))
    return figures


def _data(report: EvaluationReport) -> dict[str, Any]:
    several = len(report.canals) > 1
    return {
        "title": report.title or _title(report.canals),
        "invented": any(canal.invented for canal in report.canals),
        "date": report.date.isoformat(),
        "version": __version__,
        "clinical": CLINICAL_IN_SHORT,
        "overview": _table(overview_table(report.canals)) if several else None,
        "canals": [_canal(canal) for canal in report.canals],
        "alternatives": dict(_ALTERNATIVES),
        "sources": _sources(report),
        "origin": [[name, value] for name, value in _origin(report).items()],
    }


def _title(canals: Sequence[EvaluatedCanal]) -> str:
    word = "Canal" if len(canals) == 1 else "Canals"
    return f"{word} {', '.join(canal.name for canal in canals)}, before and after"


def _canal(canal: EvaluatedCanal) -> dict[str, Any]:
    found, expected = canal.found, canal.expected
    return {
        "name": canal.name,
        "sentences": list(evaluation_sentences(found)),
        "summary": _table(summary_table(found)),
        "sides": _table(sides_table(found)),
        "thirds": _table(thirds_table(found)),
        "form": _table(form_table(found)),
        "expected": None if expected is None else _table(expected_table(expected)),
        "expected_line": "" if expected is None else _expected_line(expected),
        "cautions": _cautions(canal),
    }


def _table(content: TextTable) -> dict[str, Any]:
    return {
        "title": content.title,
        "heads": [head for head, _ in content.columns],
        "aligns": ["right" if kind == "right" else "left" for _, kind in content.columns],
        "rows": [list(row) for row in content.rows],
    }


def _expected_line(one: ExpectedComparison) -> str:
    return (
        f"Expected by {one.source}: {one.expected_removed_mm3:.2f} mm³ removed; achieved "
        f"{one.achieved_removed_mm3:.2f} mm³. Diameter achieved less expected: mean "
        f"{one.mean_difference_mm:+.3f} mm, root mean square {one.rms_difference_mm:.3f} mm."
    ).replace("-0", "−0")


def _own_cautions(canal: EvaluatedCanal) -> list[Caution]:
    return [one for one in canal.cautions if one not in CLINICAL_CAUTIONS]


def _cautions(canal: EvaluatedCanal) -> list[dict[str, str]]:
    known = all_references()
    return [
        {"text": one.text, "source": one.source if one.source in known else ""}
        for one in _own_cautions(canal)
    ]


def _sources(report: EvaluationReport) -> list[list[str]]:
    known = all_references()
    cautions = [one for canal in report.canals for one in _own_cautions(canal)]
    cited = [*_METHOD_SOURCES, *(one.source for one in cautions if one.source in known)]
    return [
        [key, known[key].text.replace("--", "–"), known[key].status] for key in dict.fromkeys(cited)
    ]


def _origin(report: EvaluationReport) -> dict[str, str]:
    found = report.canals[0].found
    methods = dict.fromkeys(found.pair.before.provenance.methods)
    return {
        **dict(report.inputs),
        "registration": found.alignment.method,
        "measurement": ", ".join(methods) or "as stated by the canal files",
        "draws": f"{found.samples}, seed {found.seed}",
        "program": f"Canalwright {__version__}",
    }
