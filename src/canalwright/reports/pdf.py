"""The plan report as a PDF: Typst lays out the texts of `report_data` and the track figure.

Works offline; fonts are the ones that come with the plotting library, so that the same inputs
give the same bytes on every machine. Texts reach the template as a JSON file, never as markup.
The file is written tagged, as PDF/A-2a and PDF/UA-1 by the options of the typesetter; no other
validator has looked at it.
"""

from __future__ import annotations

import datetime
import json
import shutil
import tempfile
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from canalwright.errors import UsageError
from canalwright.exchange.files import StagedFiles
from canalwright.reports.report_data import ReportInputs, report_data
from canalwright.reports.style import figure_svg
from canalwright.reports.tracks import track_figure

__all__ = [
    "PAPERS",
    "ReportInputs",
    "page_count",
    "plan_report_pdf",
    "typeset",
    "write_plan_report",
]

PAPERS: Final[dict[str, tuple[float, float]]] = {
    "a4": (180.0, 256.0),
    "us-letter": (180.0, 238.0),
}
"""Paper names, and the size in mm that the track figure takes on them."""

_ALTERNATIVE: Final = (
    "Parallel tracks over the level in mm from the terminus: straightened image, diameters of "
    "canal and instruments, step in percent, dentin left, strain, and where each "
    "instrument cuts. The tables of this report state the values."
)


def write_plan_report(path: Path, inputs: ReportInputs, *, paper: str = "a4") -> Path:
    """Write the report on the recommended plan.

    Parameters
    ----------
    path : Path
        Replaced if it exists; on failure it is left as it was.
    inputs : ReportInputs
    paper : {"a4", "us-letter"}

    Returns
    -------
    Path
        The same path.

    Raises
    ------
    UsageError
        For another paper, or a result without any plan.
    """
    content = plan_report_pdf(inputs, paper=paper)
    with StagedFiles() as staged:
        staged.path_for(Path(path)).write_bytes(content)
    return Path(path)


def plan_report_pdf(inputs: ReportInputs, *, paper: str = "a4") -> bytes:
    """Return the report as the bytes of a PDF; see `write_plan_report`."""
    if paper not in PAPERS:
        raise UsageError(f"There is no paper called {paper!r}; known: {', '.join(PAPERS)}.")
    if not inputs.result.plans:
        raise UsageError(f"The result for canal {inputs.canal.name!r} holds no plan to report.")
    with tempfile.TemporaryDirectory(prefix="canalwright-report-") as folder:
        room = Path(folder)
        _stage(room, inputs, paper)
        return _typeset(room, inputs.date)


def _stage(room: Path, inputs: ReportInputs, paper: str) -> None:
    template = files("canalwright.reports").joinpath("templates", "plan.typ")
    (room / "plan.typ").write_bytes(template.read_bytes())
    data = report_data(inputs) | {"paper": paper, "alternative": _ALTERNATIVE}
    (room / "data.json").write_text(json.dumps(data, ensure_ascii=False), encoding="utf-8")
    (room / "tracks.svg").write_bytes(figure_svg(_figure(inputs, PAPERS[paper])))


def _figure(inputs: ReportInputs, size_mm: tuple[float, float]) -> Any:
    result = inputs.result
    return track_figure(
        inputs.canal,
        inputs.plan,
        straightened=inputs.straightened,
        start=result.start,
        target=result.target,
        limits=result.limits,
        curvature_per_mm=inputs.curvature_per_mm,
        title=f"Canal {inputs.canal.name}, level by level",
        size_mm=size_mm,
    )


def _typeset(room: Path, date: datetime.date) -> bytes:
    return typeset(room, date)[0]


def typeset(
    room: Path, date: datetime.date, template: str = "plan.typ", *, kind: str = "pdf"
) -> list[bytes]:
    """Lay out a template that lies in a folder with everything it reads.

    Parameters
    ----------
    room : Path
    date : datetime.date
        Written into a PDF.
    template : str
        Name of the template in the folder.
    kind : {"pdf", "png", "svg"}
        One tagged PDF, or a picture of every page.

    Returns
    -------
    list of bytes
    """
    compiler = _compiler(room, template)
    noon = datetime.datetime(date.year, date.month, date.day, 12, tzinfo=datetime.UTC)
    if kind == "pdf":
        standards: Any = ["a-2a", "ua-1"]
        pages = compiler.compile(
            format="pdf", pdf_standards=standards, timestamp=int(noon.timestamp())
        )
    else:
        pages = compiler.compile(format="svg" if kind == "svg" else "png", ppi=150.0)
    found = [pages] if isinstance(pages, bytes) else pages
    if not isinstance(found, list):
        raise TypeError(f"the typesetter returned {type(pages).__name__} instead of pages")
    return found


def page_count(room: Path, template: str) -> int:
    """Return how many pages a template takes that marks its last page ``<pages>``."""
    return int(json.loads(_compiler(room, template).query("<pages>", field="value", one=True)))


def _compiler(room: Path, template: str) -> Any:
    import typst

    fonts = typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[_fonts(room)]
    )
    return typst.Compiler(room / template, root=room, font_paths=fonts)


def _fonts(room: Path) -> Path:
    """Return a folder with the DejaVu fonts alone: others there are not meant for text."""
    import matplotlib as mpl

    folder = room / "fonts"
    folder.mkdir(exist_ok=True)
    for font in sorted((Path(mpl.get_data_path()) / "fonts" / "ttf").glob("DejaVuSans*.ttf")):
        shutil.copy(font, folder / font.name)
    return folder
