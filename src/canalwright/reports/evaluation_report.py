"""The report on an evaluation as a tagged PDF: tables, pictures, cautions, origin."""

from __future__ import annotations

import datetime
import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from canalwright import __version__
from canalwright.cautions import CLINICAL_CAUTIONS, CLINICAL_IN_SHORT, merged
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
    sides_table,
    summary_table,
    thirds_table,
)
from canalwright.reports.pdf import PAPERS, typeset
from canalwright.reports.style import figure_svg
from canalwright.reports.tables import TextTable
from canalwright.shaping.evaluation_types import Evaluation
from canalwright.shaping.expected import ExpectedComparison

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
    found : Evaluation
    expected : ExpectedComparison or None
    inputs : mapping of str to str
        Files with their digests.
    title : str
    date : datetime.date
    """

    found: Evaluation
    expected: ExpectedComparison | None = None
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
    figures = {
        "tracks": evaluation_figure(report.found, size_mm=(width, height - 40.0)),
        "outlines": outlines_figure(report.found, width_mm=width),
    }
    if report.expected is not None:
        figures["expected"] = expected_figure(report.expected, size_mm=(width, 110.0))
    return figures


def _data(report: EvaluationReport) -> dict[str, Any]:
    found, expected = report.found, report.expected
    pair = found.pair
    return {
        "title": report.title or f"Canal {pair.before.name}, before and after",
        "canal": pair.before.name,
        "invented": pair.before.provenance.invented or pair.after.provenance.invented,
        "date": report.date.isoformat(),
        "version": __version__,
        "clinical": CLINICAL_IN_SHORT,
        "sentences": list(evaluation_sentences(found)),
        "summary": _table(summary_table(found)),
        "sides": _table(sides_table(found)),
        "thirds": _table(thirds_table(found)),
        "form": _table(form_table(found)),
        "expected": None if expected is None else _table(expected_table(expected)),
        "expected_line": "" if expected is None else _expected_line(expected),
        "alternatives": dict(_ALTERNATIVES),
        "cautions": _cautions(report),
        "sources": _sources(report),
        "origin": [[name, value] for name, value in _origin(report).items()],
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


def _all_cautions(report: EvaluationReport) -> list[Any]:
    expected = report.expected.cautions if report.expected else ()
    carried = merged(report.found.cautions, expected)
    return [one for one in carried if one not in CLINICAL_CAUTIONS]


def _cautions(report: EvaluationReport) -> list[dict[str, str]]:
    known = all_references()
    return [
        {"text": one.text, "source": one.source if one.source in known else ""}
        for one in _all_cautions(report)
    ]


def _sources(report: EvaluationReport) -> list[list[str]]:
    known = all_references()
    cited = [*_METHOD_SOURCES, *(c.source for c in _all_cautions(report) if c.source in known)]
    return [[key, known[key].text, known[key].status] for key in dict.fromkeys(cited)]


def _origin(report: EvaluationReport) -> dict[str, str]:
    found = report.found
    methods = dict.fromkeys(found.pair.before.provenance.methods)
    return {
        **dict(report.inputs),
        "registration": found.alignment.method,
        "measurement": ", ".join(methods) or "as stated by the canal files",
        "draws": f"{found.samples}, seed {found.seed}",
        "program": f"Canalwright {__version__}",
    }
