"""What the pages ask for: plans, single steps, comparisons, their pictures and documents.

Heavy work is done by `canalwright.web.plan_jobs` in a process of its own; every function here
blocks its thread until the answer is there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from canalwright.anatomy.canal import Canal
from canalwright.web import jobs, plan_jobs
from canalwright.web.desk import OpenCanal
from canalwright.web.jobs import Telling
from canalwright.web.plan_jobs import ComparisonView, PlanView, StepView
from canalwright.web.scans import ScanRoom
from canalwright.web.stepping import Bench, SpaceScene
from canalwright.web.wishes import PlanWishes

if TYPE_CHECKING:
    from canalwright.planning.types import PlanResult
    from canalwright.shaping.shape import Pass

__all__ = [
    "ComparisonView",
    "PlanView",
    "StepView",
    "canal_figure",
    "compare_instruments",
    "make_plan",
    "one_step",
    "plan_json",
    "plan_pdf",
    "show_plan",
    "space",
]


def make_plan(canal: Canal, wishes: PlanWishes, progress: Telling | None = None) -> PlanResult:
    """Plan a canal with the tray that was chosen."""
    options = {**wishes.options, "patency": wishes.patency, "used": wishes.used}
    given = (canal, wishes.tray.tray, wishes.target, wishes.limits, options)
    return jobs.do(plan_jobs.planned, *given, progress=progress)


def show_plan(opened: OpenCanal, result: PlanResult, shown: int, scans: ScanRoom) -> PlanView:
    """Return one plan of a result with its texts and figure."""
    given = (opened.canal, result, shown, scans.sources(opened.case))
    return jobs.do(plan_jobs.show_plan, *given)


def canal_figure(opened: OpenCanal, scans: ScanRoom) -> str:
    """Return the tracks of the canal as measured."""
    return jobs.do(plan_jobs.canal_figure, opened.canal, scans.sources(opened.case))


def plan_pdf(
    opened: OpenCanal, result: PlanResult, scans: ScanRoom, progress: Telling | None = None
) -> bytes:
    """Return the report on the recommended plan."""
    digests = {opened.file.name: opened.file.digest}
    given = (opened.canal, result, digests, scans.sources(opened.case))
    return jobs.do(plan_jobs.plan_pdf, *given, progress=progress, tells=False)


def plan_json(opened: OpenCanal, result: PlanResult, wishes: PlanWishes) -> str:
    """Return the plan as a ``plan@1`` document."""
    from canalwright.exchange.document import document_text
    from canalwright.exchange.plans import plan_document

    inputs = {
        "canals": opened.file.as_input(),
        **wishes.inputs(),
        "options": wishes.recorded(),
    }
    return document_text(plan_document(opened.canal, result, patency=wishes.patency, inputs=inputs))


def one_step(
    opened: OpenCanal,
    made: Pass,
    earlier: tuple[Pass, ...],
    patency: Pass | None,
    scans: ScanRoom,
) -> StepView:
    """Compute one pass and draw it."""
    inputs = {"canals": opened.file.as_input(), "tray": "standard"}
    given = (opened.canal, made, earlier, patency, inputs, scans.sources(opened.case))
    return jobs.do(plan_jobs.one_step, *given)


def compare_instruments(a: str, b: str, stations_mm: tuple[float, ...]) -> ComparisonView:
    """Compare two instruments and draw them."""
    return jobs.do(plan_jobs.compare_instruments, a, b, stations_mm)


def space(bench: Bench, at: int) -> SpaceScene:
    """Return one step in three dimensions."""
    return jobs.do(plan_jobs.space, bench, at)
