"""Work on plans, done in a process of its own: the search, figures, reports, comparisons."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from canalwright.anatomy.canal import Canal
from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.web.scan_jobs import ScanSource, along
from canalwright.web.stepping import Bench, SpaceScene

if TYPE_CHECKING:
    from canalwright.imaging.straightened import StraightenedImage
    from canalwright.planning.types import PlanResult
    from canalwright.reports.tables import TextTable
    from canalwright.shaping.shape import Pass

__all__ = [
    "ComparisonView",
    "PlanView",
    "StepView",
    "canal_figure",
    "compare_instruments",
    "one_step",
    "plan_pdf",
    "planned",
    "show_plan",
    "space",
]

# Wide enough for a screen at reading distance; text stays at 9 pt of it.
_FIGURE_MM: Final = (210.0, 185.0)


@dataclass(frozen=True, eq=False)
class PlanView:
    """One plan of a result, ready to be shown.

    Attributes
    ----------
    result : PlanResult
        As planned: the recommended plan first.
    shown : int
        Which of its plans is drawn, from 0.
    texts : dict
        Everything the report says about that plan; see `canalwright.reports.report_data`.
    alternatives : list of list of str
        A row for every plan of the result, in its order.
    cautions : tuple of Caution
        Those of the plan; the general ones stand at the foot of every page.
    svg : str
    bench : Bench or None
        The steps to walk through, each worked out; None if there are none.
    """

    result: PlanResult
    shown: int
    texts: dict[str, Any]
    alternatives: list[list[str]]
    cautions: tuple[Caution, ...]
    svg: str
    bench: Bench | None


@dataclass(frozen=True, eq=False)
class StepView:
    """One pass, ready to be shown."""

    table: TextTable
    sentences: tuple[str, ...]
    cautions: tuple[Caution, ...]
    svg: str
    json: str


@dataclass(frozen=True, eq=False)
class ComparisonView:
    """Two instruments, ready to be shown."""

    table: TextTable
    sentences: tuple[str, ...]
    cautions: tuple[Caution, ...]
    svg: str
    json: str


def planned(
    canal: Canal,
    tray: Any,
    target: Any,
    limits: Any,
    options: Mapping[str, Any],
    progress: Callable[[float], None] | None = None,
) -> PlanResult:
    """Plan a canal; options as of `canalwright.planning.plan`."""
    from canalwright.planning import plan

    return plan(canal, tray, target, limits, progress=progress, **options)


def show_plan(
    canal: Canal, result: PlanResult, shown: int, sources: tuple[ScanSource, ...]
) -> PlanView:
    """Return one plan of a result with its texts and figure."""
    from canalwright.reports.plan_views import plan_figure, report_inputs, with_plan_first
    from canalwright.reports.report_data import report_data

    first, image = with_plan_first(result, shown), along(sources, canal)
    texts = report_data(report_inputs(canal, first, straightened=image, inputs={}))
    figure = plan_figure(canal, first, straightened=image, size_mm=_FIGURE_MM)
    rows = texts["alternatives"]
    in_order = [*rows[1 : shown + 1], rows[0], *rows[shown + 1 :]]
    bench = _bench(canal, first, image)
    return PlanView(result, shown, texts, in_order, _told(texts["cautions"]), _svg(figure), bench)


def canal_figure(canal: Canal, sources: tuple[ScanSource, ...]) -> str:
    """Return the tracks of the canal as measured."""
    from canalwright.planning.situation import canal_curvature_per_mm
    from canalwright.reports.tracks import track_figure

    figure = track_figure(
        canal,
        straightened=along(sources, canal),
        curvature_per_mm=canal_curvature_per_mm(canal),
        title=f"Canal {canal.name}, as measured",
        size_mm=_FIGURE_MM,
    )
    return _svg(figure)


def plan_pdf(
    canal: Canal, result: PlanResult, digests: dict[str, str], sources: tuple[ScanSource, ...]
) -> bytes:
    """Return the report on the recommended plan."""
    from canalwright.reports.pdf import plan_report_pdf
    from canalwright.reports.plan_views import report_inputs

    image = along(sources, canal)
    return plan_report_pdf(report_inputs(canal, result, straightened=image, inputs=digests))


def one_step(
    canal: Canal,
    made: Pass,
    earlier: tuple[Pass, ...],
    patency: Pass | None,
    inputs: dict[str, Any],
    sources: tuple[ScanSource, ...],
) -> StepView:
    """Compute one pass and draw it."""
    from canalwright.exchange.document import document_text
    from canalwright.exchange.steps import step_document
    from canalwright.planning.single_step import shape_after, step_after
    from canalwright.reports.tables import step_sentences, step_table
    from canalwright.reports.tracks import track_figure

    done, loads = step_after(canal, made, earlier, patency)
    document = step_document(canal, done, loads, after=earlier, patency=patency, inputs=inputs)
    figure = track_figure(
        canal,
        (done,),
        straightened=along(sources, canal),
        start=shape_after(canal, earlier, patency),
        title=f"Canal {canal.name}, one pass",
        size_mm=_FIGURE_MM,
    )
    cautions = merged(done.cautions, loads.cautions, canal.cautions)
    return StepView(
        step_table(canal.name, done),
        step_sentences(done, loads),
        _own(cautions),
        _svg(figure),
        document_text(document),
    )


def compare_instruments(a: str, b: str, stations_mm: tuple[float, ...]) -> ComparisonView:
    """Compare two instruments and draw them."""
    from canalwright.exchange.document import document_text
    from canalwright.exchange.instruments import comparison_document, instrument_cautions
    from canalwright.instruments.compare import compare
    from canalwright.instruments.standard import find_instrument
    from canalwright.reports.compare_figure import compare_figure
    from canalwright.reports.tables import comparison_sentences, comparison_table

    result = compare(find_instrument(a), find_instrument(b), stations_mm)
    cautions = instrument_cautions((result.a, result.b))
    inputs = {"a": a, "b": b, "stations_mm": list(stations_mm)}
    return ComparisonView(
        comparison_table(result),
        comparison_sentences(result),
        cautions,
        _svg(compare_figure(result, size_mm=(210.0, 150.0))),
        document_text(comparison_document(result, inputs, cautions)),
    )


def space(bench: Bench, at: int) -> SpaceScene:
    """Return one step in three dimensions."""
    return bench.space(at)


def _bench(canal: Canal, result: PlanResult, image: StraightenedImage | None) -> Bench | None:
    from canalwright.reports.screen_tracks import picture_of

    passes = tuple(one.step.made for one in result.plans[0].steps)
    if not passes:
        return None
    patency = None if result.patency is None else result.patency.step.made
    picture = None if image is None else picture_of(image)
    bench = Bench(canal, result.target, result.limits, passes, patency, picture)
    for at in range(len(passes)):
        bench.shown(at)
    return bench


def _own(cautions: tuple[Caution, ...]) -> tuple[Caution, ...]:
    """Return the cautions without those that stand at the foot of every page."""
    return tuple(caution for caution in cautions if caution not in CLINICAL_CAUTIONS)


def _told(rows: list[dict[str, str]]) -> tuple[Caution, ...]:
    """Return the report's cautions, each with the steps it is about."""
    general = {caution.text for caution in CLINICAL_CAUTIONS}
    return tuple(
        Caution(
            "", f"{row['text']} ({row['steps']})" if row["steps"] else row["text"], row["source"]
        )
        for row in rows
        if row["text"] not in general
    )


def _svg(figure: Any) -> str:
    from canalwright.reports.style import svg_element

    return svg_element(figure)
