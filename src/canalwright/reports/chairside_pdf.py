"""The pages of a visit: chairside sheet, full record, patient's page, as PDF or pictures."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canalwright.errors import UsageError
from canalwright.reports.chairside_data import ChairsideInputs, sheet_data
from canalwright.reports.chairside_figure import chairside_figure, gap_map_figure
from canalwright.reports.patient_figure import patient_figure
from canalwright.reports.patient_text import patient_data
from canalwright.reports.pdf import PAPERS, page_count, typeset
from canalwright.reports.record_data import record_data
from canalwright.reports.style import figure_svg

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["PAGES", "visit_figures", "visit_pages"]

PAGES: Final[dict[str, str]] = {
    "sheet": "chairside.typ",
    "record": "record.typ",
    "patient": "patient.typ",
}
"""What can be printed, and the template of each."""

_SHEET_WIDTH_MM: Final = 186.0
_SHEET_HEIGHTS_MM: Final = {
    "a4": (124.0, 104.0, 90.0, 78.0, 66.0),
    "us-letter": (104.0, 90.0, 76.0, 64.0),
}
"""Heights of a row of tracks: the first with which the sheet keeps to its pages is taken."""
_BLANK: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="{0}mm" height="{1}mm" viewBox="0 0 {0} {1}"/>'
)
_ALTERNATIVE: Final = (
    "Parallel tracks for every canal over the level in mm from the terminus: width of the canal "
    "before and after with the point in it, how deep the needle goes after each step, and the "
    "space between point and wall. The tables of this sheet state the values."
)


def visit_pages(
    inputs: ChairsideInputs, page: str = "sheet", *, paper: str = "a4", kind: str = "pdf"
) -> list[bytes]:
    """Return one of the prints of a visit.

    Parameters
    ----------
    inputs : ChairsideInputs
    page : {"sheet", "record", "patient"}
    paper : {"a4", "us-letter"}
    kind : {"pdf", "png", "svg"}
        One tagged PDF (PDF/A-2a and PDF/UA-1 by the options of the typesetter), or a picture of
        every page.

    Returns
    -------
    list of bytes

    Raises
    ------
    UsageError
        For another page or paper.
    """
    for name, got, known in (("page", page, tuple(PAGES)), ("paper", paper, tuple(PAPERS))):
        if got not in known:
            raise UsageError(f"There is no {name} called {got!r}; known: {', '.join(known)}.")
    template = PAGES[page]
    with tempfile.TemporaryDirectory(prefix="canalwright-visit-") as folder:
        room = Path(folder)
        source = files("canalwright.reports").joinpath("templates", template)
        (room / template).write_bytes(source.read_bytes())
        data = _DATA[page](inputs) | {"paper": paper, "alternative": _ALTERNATIVE}
        (room / "data.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
        if page == "sheet":
            _fit_tracks(room, inputs, paper)
        for name, figure in _figures(inputs, page, paper).items():
            (room / f"{name}.svg").write_bytes(figure_svg(figure))
        return typeset(room, inputs.date, template, kind=kind)


def visit_figures(inputs: ChairsideInputs) -> dict[str, Figure]:
    """Return every figure of a visit by the stem of its file's name."""
    visit = inputs.visit
    found = {"chairside-tracks": chairside_figure(visit)}
    for at, sheet in enumerate(visit.canals):
        found[f"tracks-{sheet.name}"] = _full_tracks(inputs, at)
        found[f"gap-{sheet.name}"] = gap_map_figure(sheet)
    found["patient"] = _patient(inputs)
    return found


def _fit_tracks(room: Path, inputs: ChairsideInputs, paper: str) -> None:
    """Draw the tracks as high as two pages allow, and one more for every two further canals."""
    height_mm = _SHEET_HEIGHTS_MM[paper][-1]
    rows = -(-len(inputs.visit.canals) // 2)
    for tried_mm in _SHEET_HEIGHTS_MM[paper]:
        (room / "tracks.svg").write_text(_BLANK.format(_SHEET_WIDTH_MM, rows * tried_mm), "utf-8")
        if page_count(room, PAGES["sheet"]) <= 1 + rows:
            height_mm = tried_mm
            break
    figure = chairside_figure(inputs.visit, size_mm=(_SHEET_WIDTH_MM, height_mm))
    (room / "tracks.svg").write_bytes(figure_svg(figure))


def _figures(inputs: ChairsideInputs, page: str, paper: str) -> dict[str, Figure]:
    if page == "sheet":
        return {}
    if page == "patient":
        return {"tooth": _patient(inputs)}
    count = range(len(inputs.visit.canals))
    found = {f"tracks-{at}": _full_tracks(inputs, at, PAPERS[paper]) for at in count}
    return found | {f"gap-{at}": gap_map_figure(inputs.visit.canals[at]) for at in count}


def _full_tracks(
    inputs: ChairsideInputs, at: int, size_mm: tuple[float, float] = (180.0, 225.0)
) -> Figure:
    from canalwright.planning.situation import canal_curvature_per_mm
    from canalwright.reports.tracks import track_figure

    sheet = inputs.visit.canals[at]
    canal, run = sheet.entered.canal, sheet.simulation
    return track_figure(
        canal,
        run.plan,
        start=run.start,
        target=run.target,
        limits=run.limits,
        curvature_per_mm=canal_curvature_per_mm(canal),
        title=f"Canal {canal.name}, the visit level by level",
        size_mm=size_mm,
    )


def _patient(inputs: ChairsideInputs) -> Figure:
    plan = inputs.visit.plan
    upper = plan.tooth is not None and plan.tooth.upper
    return patient_figure(len(plan.canals), upper=upper)


_DATA: Final[dict[str, Callable[[ChairsideInputs], dict[str, Any]]]] = {
    "sheet": sheet_data,
    "record": record_data,
    "patient": patient_data,
}
