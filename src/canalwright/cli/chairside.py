"""``canalwright chairside``: the sheet of a visit, from working length to obturation."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.options import JsonFile, TargetSize, TargetTaper, TorqueLimit, TrayFile
from canalwright.cli.output import announce, invented_notice, progress_bar
from canalwright.cli.writing import check_targets

if TYPE_CHECKING:
    from canalwright.cautions import Caution
    from canalwright.exchange.visit_entries import CanalEntry, VisitEntries
    from canalwright.exchange.visit_files import VisitSources
    from canalwright.planning.clinical.visit import Visit
    from canalwright.planning.types import PlanResult

__all__ = [
    "MadeVisit",
    "chairside",
    "entry_of_result",
    "made_visit",
    "stage_visit",
    "visit_entries",
]


@dataclass(frozen=True, eq=False)
class MadeVisit:
    """A visit, the entries it was worked out from, and the files behind them."""

    visit: Visit
    entries: VisitEntries
    digests: dict[str, str]
    cautions: tuple[Caution, ...] = ()


def _each(metavar: str, text: str) -> Any:
    return typer.Option(metavar=metavar, help=f"{text} NAME=… for one canal, without for all.")


def chairside(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE…",
            help="A visit-plan@1, plan@1 documents (one per canal), or a canals@1 document.",
        ),
    ],
    canal: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Only these canals; may be repeated."),
    ] = None,
    canals: Annotated[
        Path | None,
        typer.Option(metavar="CANALS", help="Where the canals of plans are measured."),
    ] = None,
    tooth: Annotated[
        str | None,
        typer.Option(metavar="NUMBER", help="Two digits (36), or Universal with a sign (#19)."),
    ] = None,
    reference: Annotated[list[str] | None, _each("TEXT", "Coronal reference, in words.")] = None,
    crown_mm: Annotated[
        list[str] | None, _each("MM", "From the orifice to the coronal reference.")
    ] = None,
    reading: Annotated[
        list[str] | None,
        _each("METHOD:MM", "A length, e.g. electronic:20.5 or radiograph:20/20.9/22:apex."),
    ] = None,
    working_length_mm: Annotated[
        list[str] | None, _each("MM", "Working length confirmed in the tooth.")
    ] = None,
    tooth_length_mm: Annotated[list[str] | None, _each("MM", "Length of the whole tooth.")] = None,
    policy: Annotated[
        str | None,
        typer.Option(
            metavar="END",
            help="Where the preparation ends: radiographic, constriction, half-short, one-short, "
            "apex-1.0, apex-1.5 or apex-2.0.",
        ),
    ] = None,
    sequence: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=ID,ID@MM,…", help="Sequence of a canal; @MM is short of working length."
        ),
    ] = None,
    tray: TrayFile = "standard",
    target_size: TargetSize = 30,
    target_taper: TargetTaper = 0.04,
    patency: Annotated[
        str | None,
        typer.Option(metavar="ID", help="Patency file, taken 0.5 mm past the foramen."),
    ] = None,
    torque_limit: TorqueLimit = None,
    cone: Annotated[
        list[str] | None, _each("SIZE/TAPER", "Master point, with :MM if its tip was gauged.")
    ] = None,
    needle: Annotated[int | None, typer.Option(metavar="GAUGE", help="Needle, 27 to 31.")] = None,
    flow_ml_per_min: Annotated[
        float | None, typer.Option(metavar="ML/MIN", help="Flow of the irrigant.")
    ] = None,
    pulpal: Annotated[str | None, typer.Option(metavar="TERM", help="Pulpal diagnosis.")] = None,
    apical: Annotated[str | None, typer.Option(metavar="TERM", help="Apical diagnosis.")] = None,
    factor: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=RATING", help="A difficulty factor; see 'assess'."),
    ] = None,
    notes: Annotated[str | None, typer.Option(metavar="TEXT", help="Free text.")] = None,
    pdf: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write the chairside sheet as a PDF.")
    ] = None,
    record: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write the full record as a PDF.")
    ] = None,
    patient: Annotated[
        str | None, typer.Option(metavar="FILE", help="Write the page for the patient as a PDF.")
    ] = None,
    paper: Annotated[str, typer.Option(metavar="PAPER", help="a4 or us-letter.")] = "a4",
    figures: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            help="Write figures and the sheet's pages (PNG and SVG) into this folder.",
        ),
    ] = None,
    json: JsonFile = None,
) -> None:
    """Work out a visit: lengths, stops, motor, irrigation, obturation, on one sheet."""
    from canalwright.cli.trays import own_instruments
    from canalwright.cli.visit_options import changed_canals, changed_visit
    from canalwright.exchange.visit_files import visit_sources

    check_targets(json, pdf, record, patient, inputs=tuple(files), folder=figures)
    own = own_instruments(tray)
    sources = visit_sources(tuple(files), canals_file=canals, extra=own)
    entries = visit_entries(sources, canal, sequence, tray=tray, target=(target_size, target_taper))
    entries = entries.model_copy(
        update={
            "canals": changed_canals(
                entries.canals,
                reference=reference,
                crown_mm=crown_mm,
                tooth_length_mm=tooth_length_mm,
                working_length_mm=working_length_mm,
                reading=reading,
                cone=cone,
                policy=policy,
                patency=patency,
                torque_limit=torque_limit,
            )
        }
    )
    entries = changed_visit(
        entries,
        tooth=tooth,
        pulpal=pulpal,
        apical=apical,
        factor=factor,
        needle=needle,
        flow_ml_per_min=flow_ml_per_min,
        notes=notes,
    )
    made = made_visit(entries, sources, own)
    _write(made, tray, {"sheet": pdf, "record": record, "patient": patient}, paper, figures, json)
    _show(made, json)


def visit_entries(
    sources: VisitSources,
    names: list[str] | None,
    sequences: list[str] | None,
    *,
    tray: str = "standard",
    target: tuple[int, float] = (30, 0.04),
) -> VisitEntries:
    """Return the entries that files describe; canals without a sequence are planned.

    Raises
    ------
    UnknownName
        If no canal has one of the names.
    """
    from canalwright.cli.reading import read_named_sequences
    from canalwright.cli.visit_options import steps_of
    from canalwright.errors import UnknownName
    from canalwright.exchange.visit_entries import CanalEntry, VisitEntries

    given = read_named_sequences(sequences or [])
    known = _usual_names(sources)
    for name in (*(names or []), *given):
        if name not in sources.canals:
            raise UnknownName(kind="canal in the files", got=name, known=tuple(sources.canals))
    before = {} if sources.entries is None else {e.canal: e for e in sources.entries.canals}
    found: list[CanalEntry] = []
    for name in names or known:
        entry = before.get(name) or sources.sequences.get(name)
        if name in given:
            steps = steps_of(given[name])
            entry = (
                CanalEntry(
                    canal=name, steps=steps, target_size=target[0], target_taper_mm_per_mm=target[1]
                )
                if entry is None
                else entry.model_copy(update={"steps": steps})
            )
        found.append(entry or _planned(sources, name, tray, target))
    if sources.entries is not None:
        return sources.entries.model_copy(update={"canals": found})
    return VisitEntries(canals=found)


def _usual_names(sources: VisitSources) -> list[str]:
    if sources.entries is not None:
        return [entry.canal for entry in sources.entries.canals]
    return list(sources.sequences or sources.canals)


def _planned(sources: VisitSources, name: str, tray: str, target: tuple[int, float]) -> CanalEntry:
    from canalwright.cli.trays import choose_tray
    from canalwright.planning import plan
    from canalwright.planning.types import Target

    with progress_bar(f"Searching sequences for {name}") as progress:
        result = plan(sources.canals[name], choose_tray(tray), Target(*target), progress=progress)
    return entry_of_result(name, result)


def entry_of_result(canal_name: str, result: PlanResult) -> CanalEntry:
    """Return the recommended sequence of a plan for a canal; depths count from its end."""
    from canalwright.exchange.visit_entries import CanalEntry, StepEntry

    return CanalEntry(
        canal=canal_name,
        steps=[
            StepEntry(instrument=step.instrument.id, short_mm=round(step.step.made.tip_level_mm, 4))
            for step in result.plans[0].steps
        ],
        target_size=result.target.size,
        target_taper_mm_per_mm=result.target.taper_mm_per_mm,
    )


def made_visit(
    entries: VisitEntries, sources: VisitSources, own: tuple[Any, ...] = ()
) -> MadeVisit:
    """Work a visit out."""
    from canalwright.exchange.visits_in import visit_plan_of
    from canalwright.planning.clinical.visit import worked_out

    with progress_bar("Working the visit out"):
        visit = worked_out(visit_plan_of(entries, sources.canals, own))
    return MadeVisit(visit, entries, sources.digests, sources.cautions)


def stage_visit(
    staged: Any,
    made: MadeVisit,
    targets: dict[str, str | None],
    *,
    paper: str = "a4",
    figures: Path | None = None,
) -> list[Path]:
    """Stage the prints and figures of a visit; return where they will be."""
    from canalwright.cli.pictures import stage_figure
    from canalwright.reports.chairside_data import ChairsideInputs
    from canalwright.reports.chairside_pdf import visit_figures, visit_pages

    inputs = ChairsideInputs(made.visit, inputs=made.digests)
    written = []
    for page, target in targets.items():
        if target is not None:
            content = visit_pages(inputs, page, paper=paper)[0]
            staged.path_for(Path(target)).write_bytes(content)
            written.append(Path(target))
    if figures is None:
        return written
    for stem, figure in visit_figures(inputs).items():
        written += stage_figure(staged, figure, figures, stem)
    for kind in ("png", "svg"):
        for at, content in enumerate(visit_pages(inputs, paper=paper, kind=kind), 1):
            target_path = figures / f"sheet-{at}.{kind}"
            staged.path_for(target_path).write_bytes(content)
            written.append(target_path)
    return written


def _write(
    made: MadeVisit,
    tray: str,
    targets: dict[str, str | None],
    paper: str,
    figures: Path | None,
    json: str | None,
) -> None:
    from canalwright.cli.trays import tray_inputs
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles
    from canalwright.exchange.visits import visit_document

    inputs = {"files": made.digests, **tray_inputs(tray)}
    with StagedFiles() as staged:
        with progress_bar("Writing the sheet"):
            stage_visit(staged, made, targets, paper=paper, figures=figures)
        if json is not None:
            document = visit_document(made.visit, made.entries, inputs, made.cautions)
            staged.write_text(json, document_text(document))
    for target in (*targets.values(), figures, json):
        if target not in (None, "-"):
            announce(f"wrote {target}")


def _show(made: MadeVisit, json: str | None) -> None:
    from canalwright.cli.visit_tables import print_visit, print_visit_cautions

    if json != "-":
        print_visit(made.visit)
    invented_notice(made.visit.plan.invented)
    print_visit_cautions(made.visit, made.cautions)
