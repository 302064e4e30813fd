"""``canalwright demo``: the whole job on an invented tooth, checked against its truth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.canals import patency_pass
from canalwright.cli.demo_tables import print_truth
from canalwright.cli.made_files import report_files
from canalwright.cli.measure import document_of, measured, read
from canalwright.cli.options import JsonFile
from canalwright.cli.output import (
    announce,
    invented_notice,
    print_cautions,
    print_text,
    progress_bar,
)
from canalwright.cli.phantom import SCAN_FOLDER, clicks_of, invent, truth_document, write_scan
from canalwright.cli.plan_tables import plan_cautions, print_plan
from canalwright.cli.writing import check_targets

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.cli.reading import ClickedCanal
    from canalwright.exchange.document import Document
    from canalwright.imaging.phantom import RootPhantom
    from canalwright.imaging.scan import Scan
    from canalwright.planning.types import PlanResult

__all__ = ["demo"]

_PLANNED = "mesiobuccal"
# The invented coronal reference point lies some 7 mm above the orifice.
_WORKING_LENGTH_MM = 20.0
_PATENCY = ("hand-08-02", 1.0, 0.01)
_GO_ON = (
    "Go on in the browser: run 'make serve' (or 'canalwright serve'), open the address that it "
    "names, and press 'Make the demo case'."
)


@dataclass(frozen=True, eq=False)
class _Job:
    """Everything the demo found."""

    out: Path
    seed: int
    tooth: RootPhantom
    truth: Mapping[str, Canal]
    image: Scan
    clicked: tuple[ClickedCanal, ...]
    canals: tuple[Canal, ...]
    canal: Canal
    result: PlanResult


def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for everything.")] = Path(
        "demo-output"
    ),
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="Which invented tooth.")] = 0,
    json: JsonFile = None,
) -> None:
    """Run the main job on an invented tooth: scan, canals, plan, report, pictures."""
    check_targets(json, folder=out)
    job = _work(out, seed)
    written = [out / SCAN_FOLDER, *_write(job)]
    if json != "-":
        _print_result(job, written)
    invented_notice(True)
    cautions = job.image.cautions + job.canal.cautions + plan_cautions(job.result)
    print_cautions(cautions)
    report_files(json, "demo", written, inputs={"seed": seed}, cautions=cautions, invented=True)
    if json != "-":
        print_text(_GO_ON)


def _print_result(job: _Job, written: list[Path]) -> None:
    print_plan(job.result)
    print_truth(job.truth, job.canals)
    print_text("INVENTED DATA. Written:")
    for path in written:
        print_text(f"  {path}")


def _work(out: Path, seed: int) -> _Job:
    from canalwright.imaging.phantom import true_canals

    tooth = invent(seed)
    write_scan(tooth, out / SCAN_FOLDER, voxel_mm=0.125, fwhm_mm=0.25, snr=20.0, seed=seed)
    image = read(out / SCAN_FOLDER, None)
    clicked = clicks_of(tooth)
    canals = measured(image, clicked)
    canal = next(canal for canal in canals if canal.name == _PLANNED)
    with progress_bar("Computing the truth"):
        truth = true_canals(tooth)
    return _Job(out, seed, tooth, truth, image, clicked, canals, canal, _planned(canal))


def _planned(canal: Canal) -> PlanResult:
    from canalwright.instruments.tray import standard_tray
    from canalwright.planning import plan
    from canalwright.planning.types import Limits, Target

    with progress_bar("Searching sequences") as progress:
        return plan(
            canal,
            standard_tray(),
            Target(),
            Limits(),
            patency=patency_pass(*_PATENCY),
            working_length_mm=_WORKING_LENGTH_MM,
            progress=progress,
        )


def _documents(job: _Job) -> dict[Path, Document]:
    from canalwright.exchange.plans import plan_document

    found = document_of(job.image, job.canals, job.clicked)
    inputs = {
        "canals": {"source": "canals.json", "schema": found.schema_, "inputs": found.inputs},
        "tray": "standard",
        "options": {"working_length_mm": _WORKING_LENGTH_MM},
        "seed": job.seed,
    }
    plan = plan_document(job.canal, job.result, patency=patency_pass(*_PATENCY), inputs=inputs)
    return {
        job.out / "canals.json": found,
        job.out / "plan.json": plan,
        job.out / "truth.json": truth_document(job.tooth, job.truth, job.seed),
    }


def _write(job: _Job) -> list[Path]:
    from canalwright.cli.demo_visit import demo_visit, stage_demo_visit
    from canalwright.cli.pictures import PlanPictures, stage_overview
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles

    documents = _documents(job)
    pictures = PlanPictures(job.canal, job.result, job.image)
    report = job.out / "report.pdf"
    with StagedFiles() as staged:
        for path, document in documents.items():
            staged.write_text(str(path), document_text(document))
        with progress_bar("Drawing figures"):
            drawn = stage_overview(staged, job.image, job.canals, job.out, job.tooth.name)
            drawn += pictures.stage_figures(staged, job.out)
        with progress_bar("Writing the report"):
            digests = {f"invented scan ({SCAN_FOLDER})": job.image.digest}
            pictures.stage_report(staged, report, digests)
        with progress_bar("Working out a visit"):
            visit = demo_visit(job.canals, job.result, _PATENCY[0], digests)
            sheet, made = stage_demo_visit(staged, visit, job.out)
            for path, document in made.items():
                staged.write_text(str(path), document_text(document))
    written = [report, sheet, *drawn, *documents, *made]
    announce(f"wrote {len(written)} files to {job.out}")
    return written
