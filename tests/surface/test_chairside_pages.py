"""The prints of a visit: two pages, tagged, legible, gray-safe, with every caution and mark."""

from __future__ import annotations

import datetime
import io
import re
from dataclasses import replace

import pytest
from pypdf import PdfReader

from canalwright.cautions import CLINICAL_CAUTIONS
from canalwright.errors import UsageError
from canalwright.evidence import Evidence, Graded
from canalwright.planning.clinical.checklist import checklist
from canalwright.planning.clinical.irrigation import IrrigationPlan
from canalwright.planning.clinical.tables import table
from canalwright.planning.clinical.visit import worked_out
from canalwright.planning.clinical.working_length import LengthReading, Method
from canalwright.reports.chairside_data import ChairsideInputs, sheet_data, short_cautions
from canalwright.reports.chairside_figure import chairside_figure, gap_map_figure
from canalwright.reports.chairside_marks import LEGEND, marked, marked_graded, origin_letter
from canalwright.reports.chairside_pdf import PAGES, visit_figures, visit_pages
from canalwright.reports.patient_figure import patient_figure
from canalwright.reports.style import figure_svg
from support.canals import tapered_canal
from support.visits import canal_visit, two_canals

DATE = datetime.date(2026, 1, 2)


def bundle(plan) -> ChairsideInputs:
    return ChairsideInputs(worked_out(plan), date=DATE, inputs={"canals.json": "ab" * 32})


@pytest.fixture(scope="module")
def inputs() -> ChairsideInputs:
    items = checklist({"anesthesia": "inferior block, tested"}, done=("consent",))
    return bundle(two_canals(checklist=items, notes="check the lingual wall"))


@pytest.fixture(scope="module")
def prints(inputs) -> dict[str, bytes]:
    return {page: visit_pages(inputs, page)[0] for page in PAGES}


@pytest.fixture(scope="module")
def sheet(prints) -> bytes:
    return prints["sheet"]


def read(content: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(content))


def text_of(content: bytes) -> str:
    return flat(" ".join(page.extract_text() for page in read(content).pages))


def flat(text: str) -> str:
    """Return text without spaces, which line breaks and tables move about."""
    return re.sub(r"[\s\u00ad]+", "", text)


@pytest.mark.parametrize(("paper", "width_mm"), [("a4", 210.0), ("us-letter", 215.9)])
def test_the_sheet_of_two_canals_takes_two_pages(inputs, paper, width_mm):
    pages = read(visit_pages(inputs, paper=paper)[0]).pages
    assert len(pages) == 2
    assert float(pages[0].mediabox.width) / 72.0 * 25.4 == pytest.approx(width_mm, abs=0.1)


@pytest.mark.parametrize("page", ["sheet", "record", "patient"])
def test_prints_are_tagged_with_title_language_and_archival_metadata(prints, page):
    reader = read(prints[page])
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    assert str(root["/Lang"]).startswith("en")
    assert reader.metadata.title
    xmp = root["/Metadata"].get_data().decode()
    assert "<pdfaid:part>2</pdfaid:part>" in xmp
    assert "<pdfuaid:part>1</pdfuaid:part>" in xmp


@pytest.mark.parametrize("page", ["sheet", "record", "patient"])
def test_no_letter_is_smaller_than_nine_points(prints, page):
    sizes = []

    def look(text, _cm, _tm, font, size):
        if text.strip() and font is not None:
            sizes.append(size)

    for one in read(prints[page]).pages:
        one.extract_text(visitor_text=look)
    # sizes of text in pictures are checked on the pictures
    assert min(size for size in sizes if size > 1.5) >= 9.0


def test_no_letter_in_a_figure_of_the_sheet_is_smaller_than_nine_points(inputs):
    for figure in (
        chairside_figure(inputs.visit),
        gap_map_figure(inputs.visit.canals[0]),
        patient_figure(2),
    ):
        svg = figure_svg(figure).decode()
        sizes = [float(size) for size in re.findall(r"font(?:-size)?: ?([\d.]+)px", svg)]
        assert sizes
        assert min(sizes) >= 9.0


def test_figures_of_the_sheet_need_no_color(inputs):
    for figure in (chairside_figure(inputs.visit), patient_figure(3, upper=True)):
        svg = figure_svg(figure).decode()
        colors = set(re.findall(r"#([0-9a-f]{6})", svg))
        assert colors
        assert all(color[:2] == color[2:4] == color[4:] for color in colors)


def test_sizes_are_written_beside_every_color(inputs):
    for block in sheet_data(inputs)["canals"]:
        for step in block["steps"]:
            assert re.search(r"\d\d/", step["instrument"])


def test_every_caution_stands_on_the_sheet(inputs, sheet):
    found = text_of(sheet)
    short = table("short_cautions")["short"]
    for caution in inputs.visit.cautions:
        if caution not in CLINICAL_CAUTIONS:
            assert flat(short.get(caution.code, caution.text)) in found, caution.code
    for conflict in inputs.visit.conflicts:
        assert flat(conflict.text) in found


def test_every_caution_stands_in_full_in_the_record(inputs, prints):
    found = text_of(prints["record"])
    for caution in (*inputs.visit.cautions, *inputs.visit.conflicts):
        assert flat(caution.text) in found, caution.code


def test_what_is_not_a_standing_caution_stands_first_in_full():
    plan = two_canals(irrigation=IrrigationPlan(flow_ml_per_min=12.0))
    far = LengthReading(Method.ELECTRONIC, 24.5)
    plan = plan.changed("MB", lambda v: replace(v, readings=(far,), tooth_length_mm=21.0))
    alerts, _ = short_cautions(worked_out(plan))
    found = text_of(visit_pages(bundle(plan))[0])
    assert sum("longer than the tooth" in alert for alert in alerts) == 1
    assert any("12 mL/min exceeds" in alert for alert in alerts)
    for alert in alerts:
        assert flat(alert) in found


def test_a_standing_caution_of_one_canal_names_it(inputs):
    visit = inputs.visit
    only = replace(
        visit,
        cautions=tuple(c for c in visit.cautions if not c.text.startswith("Canal ML")),
    )
    _, standing = short_cautions(only)
    assert any(line.endswith(" [MB]") for line in standing)


def test_numbers_of_the_visit_are_on_the_sheet(inputs, sheet):
    found = text_of(sheet)
    for canal in inputs.visit.canals:
        assert f"{canal.length.working_length_mm:.1f}" in found
        for step in canal.steps:
            assert f"{step.stop.stop_mm:.1f}" in found
            assert flat(f"{step.needle.depth_mm:.1f} ({step.needle.short_mm:.1f})") in found
    for words in ("inferior block, tested", "check the lingual wall", "lower left first molar"):
        assert flat(words) in found


def test_assumed_values_are_marked_and_the_marks_explained(inputs, sheet):
    data = sheet_data(inputs)
    for block in data["canals"]:
        for step in block["steps"]:
            assert step["overall"] == "25\N{NO-BREAK SPACE}(a)"
            assert step["limit"] == "–" or "(p)" in step["limit"]
        assert not block["motion"] or "(a)" in block["motion"]
    assert all("(m)" in row["tolerance"] for row in data["cones"])
    assert all("(" in row[2] and "(" in row[3] for row in data["irrigation"]["rinses"])
    assert flat(LEGEND) in text_of(sheet)


@pytest.mark.parametrize("evidence", list(Evidence))
def test_a_mark_stands_beside_what_nobody_measured_or_stated(evidence):
    firm = {Evidence.MEASURED, Evidence.OPERATOR, Evidence.STANDARD, Evidence.PUBLISHED}
    assert bool(origin_letter(evidence)) == (evidence not in firm)
    assert marked_graded(Graded(1.0, "mm", evidence), 1) == marked("1.0", evidence)
    assert marked("–", evidence) == "–"


def test_settings_that_contradict_the_model_are_marked_and_kept(inputs):
    block = sheet_data(inputs)["canals"][-1]
    engine = block["steps"][1]
    assert engine["conflict"] == "▲"
    assert "limit above the estimated strength" in block["motion"]
    assert engine["limit"].startswith("4.0")


def test_invented_data_is_marked_on_every_print(prints):
    for content in prints.values():
        assert "INVENTED" in text_of(content)


def test_the_patient_page_is_one_page_in_plain_words(prints):
    content = prints["patient"]
    assert len(read(content).pages) == 1
    text = " ".join(page.extract_text() for page in read(content).pages)
    assert "two root canals" in " ".join(text.split())
    sentences = [s for s in re.split(r"[.?!]\s", " ".join(text.split())) if s.strip()]
    words = [len(sentence.split()) for sentence in sentences]
    assert sum(words) / len(words) < 17.0
    assert max(len(word) for word in re.findall(r"[A-Za-z]+", text)) <= 14


def test_every_figure_is_drawn(inputs):
    names = set(visit_figures(inputs))
    assert names == {"chairside-tracks", "tracks-MB", "tracks-ML", "gap-MB", "gap-ML", "patient"}


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_pages_come_as_pictures(inputs, kind):
    pages = visit_pages(inputs, kind=kind)
    assert len(pages) == 2
    start = b"\x89PNG" if kind == "png" else b"<svg"
    assert all(page.lstrip().startswith(start) for page in pages)


def test_same_inputs_give_the_same_bytes(inputs, sheet):
    assert visit_pages(inputs)[0] == sheet


@pytest.mark.parametrize(("page", "paper"), [("poster", "a4"), ("sheet", "napkin")])
def test_unknown_pages_and_papers_are_refused(inputs, page, paper):
    with pytest.raises(UsageError, match="There is no"):
        visit_pages(inputs, page, paper=paper)


def test_text_of_the_operator_is_printed_and_never_run():
    plan = two_canals(notes='#panic("x") *bold* $y$', title="= [a](b)")
    assert flat('#panic("x") *bold* $y$') in text_of(visit_pages(bundle(plan))[0])


def test_further_canals_get_rows_and_pages_of_their_own():
    plan = two_canals()
    third = tapered_canal(name="D", spacing_mm=0.25, apical_mm=0.3, length_mm=12.0)
    visit = replace(plan, canals=(*plan.canals, canal_visit(third)))
    assert len(read(visit_pages(bundle(visit))[0]).pages) <= 3
    assert len(chairside_figure(worked_out(visit)).axes) == 9
