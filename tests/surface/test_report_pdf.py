from __future__ import annotations

import datetime
import io
from dataclasses import replace

import pypdf
import pytest

from canalwright.cautions import CLINICAL_CAUTIONS, CLINICAL_IN_SHORT, Caution
from canalwright.errors import UsageError
from canalwright.planning.types import Margin, Rejection
from canalwright.references import reference
from canalwright.reports import pdf as report
from canalwright.reports.pdf import ReportInputs, plan_report_pdf, write_plan_report
from canalwright.reports.report_data import report_data
from canalwright.reports.text import instrument_label
from canalwright.shaping.shape import step

DATE = datetime.date(2026, 1, 5)
HOSTILE = r'#panic("x") *bold* _it_ $x$ <a> @b \ "quoted" [c] // end `raw` =head'


@pytest.fixture(scope="module")
def inputs(sample, straightened):
    return ReportInputs(
        canal=sample.canal,
        result=sample.result,
        straightened=straightened,
        curvature={"schneider_deg": 27.3, "pruett_radius_mm": 9.62, "weine_deg": None},
        curvature_per_mm=sample.curvature_per_mm,
        title="Lower molar, mesiobuccal",
        date=DATE,
        inputs={"canals.json": "cd" * 32},
    )


@pytest.fixture(scope="module")
def content(inputs):
    return plan_report_pdf(inputs)


def text_of(content):
    pages = pypdf.PdfReader(io.BytesIO(content)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def squeezed(text):
    """Without spaces: line breaks fall anywhere in extracted text."""
    return "".join(text.split())


def test_report_is_a_tagged_pdf_with_title_language_and_archival_metadata(content):
    reader = pypdf.PdfReader(io.BytesIO(content))
    root = reader.trailer["/Root"]
    assert reader.metadata.title == "Lower molar, mesiobuccal: shaping plan"
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"].startswith("en")
    metadata = root["/Metadata"].get_object().get_data().decode()
    assert "pdfaid" in metadata
    assert "pdfuaid" in metadata


def test_paper_sizes(inputs, content):
    a4 = pypdf.PdfReader(io.BytesIO(content)).pages[0].mediabox
    assert float(a4.width) == pytest.approx(595.28, abs=0.1)
    letter = pypdf.PdfReader(io.BytesIO(plan_report_pdf(inputs, paper="us-letter")))
    assert float(letter.pages[0].mediabox.width) == pytest.approx(612.0, abs=0.1)
    with pytest.raises(UsageError, match="foolscap"):
        plan_report_pdf(inputs, paper="foolscap")


def test_fonts_are_embedded_and_no_letter_is_smaller_than_nine_points_outside_the_figure(content):
    reader = pypdf.PdfReader(io.BytesIO(content))
    sizes, names = [], set()

    def look(text, _cm, _tm, font, size):
        if text.strip() and font is not None:
            sizes.append(size)
            names.add(str(font["/BaseFont"]))

    for number, page in enumerate(reader.pages):
        if number != 1:
            page.extract_text(visitor_text=look)
    assert names
    assert all("DejaVuSans" in name for name in names)
    assert min(sizes) >= 9.0


def test_numbers_in_the_table_are_the_numbers_of_the_plan(inputs):
    rows = report_data(inputs)["sequence"]
    steps = inputs.plan.steps
    assert len(rows) == len(steps)
    for row, planned in zip(rows, steps, strict=True):
        done, loads = planned.step, planned.loads
        assert row["instrument"] == instrument_label(planned.instrument)
        assert float(row["level"]) == pytest.approx(done.made.tip_level_mm, abs=0.05)
        assert float(row["stop"]) == pytest.approx(planned.stop_mm, abs=0.05)
        if done.engaged.any():
            assert float(row["step"].removesuffix(" %")) == pytest.approx(
                done.step_percent.max(), abs=0.5
            )
            assert float(row["torque"]) == pytest.approx(loads.peak_torque_ncm, abs=0.005)
        else:
            assert (row["step"], row["step_level"], row["torque"]) == ("loose", "", "–")
        assert float(row["dentin"]) == pytest.approx(done.dentin_left_min_mm, abs=0.005)
        assert float(row["strain"].removesuffix(" %")) == pytest.approx(
            100 * loads.peak_strain, abs=0.05
        )
        if planned.speed_rpm is None:
            assert row["speed"] == "–"
        else:
            assert float(row["speed"]) == planned.speed_rpm.value


def test_every_number_of_the_table_is_in_the_text_of_the_file(inputs, content):
    text = squeezed(text_of(content))
    for row in report_data(inputs)["sequence"]:
        for cell in ("instrument", "purpose", "level", "stop", "step", "dentin", "strain"):
            assert squeezed(row[cell]) in text


def test_every_caution_is_in_the_file(inputs, content):
    text = squeezed(text_of(content))
    carried = [*inputs.canal.cautions]
    for planned in inputs.plan.steps:
        carried += [*planned.loads.cautions, *planned.step.cautions]
    for caution in carried:
        assert squeezed(caution.text) in text


def test_cautions_of_single_steps_name_them(inputs):
    first = inputs.plan.steps[0]
    special = Caution("SPECIAL", "Only here.", "pruett1997")
    plan = replace(inputs.plan, steps=(replace(first, cautions=(special,)), *inputs.plan.steps[1:]))
    changed = replace(inputs, result=replace(inputs.result, plans=(plan,)))
    data = report_data(changed)
    row = next(row for row in data["cautions"] if row["text"] == "Only here.")
    assert row["steps"] == "step 1"
    assert data["steps"][0]["cautions"] == ["Only here."]
    assert data["steps"][1]["cautions"] == []


def test_reasons_rejections_limits_and_origins_are_in_the_file(inputs, content):
    text = squeezed(text_of(content))
    for planned in inputs.plan.steps:
        for reason in planned.reasons:
            assert squeezed(reason) in text
    for rejected in inputs.result.rejected:
        assert rejected.instrument in text
        assert squeezed(rejected.text) in text
    limits = inputs.result.limits
    assert squeezed(limits.dentin_left_mm.note) in text
    for piece in ("2026-01-05", "cd" * 32, "ab" * 32, inputs.result.statement, "27°", "9.6mm"):
        assert squeezed(piece) in text
    assert "weine" not in text.lower()


def test_rejected_instruments_are_grouped_by_the_limit_they_break(inputs):
    over = [
        Rejection(f"hand-{size}-02", "over_target_mm", size / 100, 0.02, "mm", f"why {size}")
        for size in (35, 40)
    ]
    result = replace(inputs.result, rejected=(*over, *inputs.result.rejected))
    row, *others = report_data(replace(inputs, result=result))["rejected"]
    assert row == [
        "cut beyond the target",
        "hand-35-02 (0.35\N{NO-BREAK SPACE}mm), hand-40-02 (0.40\N{NO-BREAK SPACE}mm)",
        "why 35",
    ]
    assert len(others) == 2


def test_only_the_nearest_limits_are_shown_nearest_first(inputs):
    first = inputs.plan.steps[0]
    margins = tuple(
        Margin(name, used, 1.0, "mm", None, used)
        for name, used in (
            ("step_mm", 0.2),
            ("no_cut", 9.0),
            ("engaged_mm", 0.9),
            ("over_target_mm", 0.4),
            ("dentin_left_mm", 0.3),
        )
    )
    plan = replace(inputs.plan, steps=(replace(first, margins=margins),))
    data = report_data(replace(inputs, result=replace(inputs.result, plans=(plan,))))
    shown = data["steps"][0]["margins"]
    assert [text.split(" 0.")[0] for text in shown] == [
        "length that cuts",
        "cut beyond the target",
        "dentin left",
    ]
    assert "(90 % used)" in shown[0]


def test_general_cautions_stand_at_the_foot_of_every_page(inputs, content):
    texts = [row["text"] for row in report_data(inputs)["cautions"]]
    assert not {one.text for one in CLINICAL_CAUTIONS} & set(texts)
    assert len(texts) == len(set(texts))
    for page in pypdf.PdfReader(io.BytesIO(content)).pages:
        assert squeezed(CLINICAL_IN_SHORT) in squeezed(page.extract_text())


def test_a_step_that_cuts_nothing_is_called_loose_and_has_no_level(inputs):
    first = inputs.plan.steps[0]
    gone_by = step(first.step.after, first.step.made)
    plan = replace(inputs.plan, steps=(replace(first, step=gone_by), *inputs.plan.steps[1:]))
    changed = replace(inputs, result=replace(inputs.result, plans=(plan, *inputs.result.plans[1:])))
    row = report_data(changed)["sequence"][0]
    assert (row["step"], row["step_level"], row["engaged"], row["torque"]) == (
        "loose",
        "",
        "–",
        "–",
    )
    page = pypdf.PdfReader(io.BytesIO(plan_report_pdf(changed))).pages[0].extract_text()
    assert "loose" in page
    assert "at –" not in page


def test_cited_sources_are_printed_with_how_they_were_seen(content):
    text = squeezed(text_of(content))
    for key in ("pruett1997", "lim1987", "caputo1976"):
        assert squeezed(reference(key).status) in text


def test_invented_data_is_marked_on_every_page_and_real_data_on_none(inputs, content):
    for page in pypdf.PdfReader(io.BytesIO(content)).pages:
        assert "INVENTED DATA" in page.extract_text()
    provenance = replace(inputs.canal.provenance, invented=False, source="scan")
    real = replace(inputs, canal=replace(inputs.canal, provenance=provenance, cautions=()))
    assert "INVENTED" not in text_of(plan_report_pdf(real))


def test_text_of_the_user_is_printed_and_never_run(inputs):
    hostile = replace(inputs.canal, name=HOSTILE)
    content = plan_report_pdf(replace(inputs, canal=hostile, title=HOSTILE))
    assert squeezed(HOSTILE) in squeezed(text_of(content))


def test_figure_stands_in_the_file_as_text(content):
    page = pypdf.PdfReader(io.BytesIO(content)).pages[1].extract_text()
    assert "level, mm from the terminus" in page
    assert "orifice" in page


def test_same_inputs_give_the_same_bytes(inputs, content):
    assert plan_report_pdf(inputs) == content


def test_a_result_without_plans_is_refused(inputs):
    empty = replace(inputs, result=replace(inputs.result, plans=()))
    with pytest.raises(UsageError, match="no plan"):
        plan_report_pdf(empty)


def test_failure_leaves_the_older_file_and_nothing_else(inputs, tmp_path, monkeypatch):
    target = tmp_path / "plan.pdf"
    target.write_bytes(b"older")

    def fail(*_args):
        raise RuntimeError("the typesetter stopped")

    monkeypatch.setattr(report, "_typeset", fail)
    with pytest.raises(RuntimeError):
        write_plan_report(target, inputs)
    assert target.read_bytes() == b"older"
    assert list(tmp_path.iterdir()) == [target]


def test_report_replaces_an_older_file(inputs, tmp_path, content):
    target = tmp_path / "plan.pdf"
    target.write_bytes(b"older")
    assert write_plan_report(target, inputs) == target
    assert target.read_bytes() == content
    assert list(tmp_path.iterdir()) == [target]
