"""``canalwright demo``: the whole job on an invented tooth, checked against its truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.demo_tables import print_truth
from canalwright.cli.measure import document_of, measured, read
from canalwright.cli.output import (
    announce,
    invented_notice,
    print_cautions,
    print_text,
    progress_bar,
)
from canalwright.cli.phantom import SCAN_FOLDER, clicks_of, invent, truth_document, write_scan
from canalwright.cli.plan_tables import print_plan

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.exchange.canals import CanalsDocument
    from canalwright.exchange.plans import PlanDocument
    from canalwright.imaging.phantom import RootPhantom
    from canalwright.imaging.scan import Scan
    from canalwright.planning.types import PlanResult

__all__ = ["demo"]

_PLANNED = "mesiobuccal"
# The invented coronal reference point lies some 7 mm above the orifice.
_WORKING_LENGTH_MM = 20.0
_PATENCY = ("hand-08-02", 1.0, 0.01)


def demo(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for everything.")] = Path(
        "demo-output"
    ),
    seed: Annotated[int, typer.Option(metavar="N", min=0, help="Which invented tooth.")] = 0,
) -> None:
    """Run the main job on an invented tooth: scan, canals, plan, report, pictures."""
    tooth = invent(seed)
    write_scan(tooth, out / SCAN_FOLDER, voxel_mm=0.125, fwhm_mm=0.25, snr=20.0, seed=seed)
    image = replace(read(out / SCAN_FOLDER, None), invented=True)
    clicked = clicks_of(tooth)
    canals = measured(image, clicked)
    canal = next(canal for canal in canals if canal.name == _PLANNED)
    result = _planned(canal)
    found = document_of(image, canals, clicked)
    plan = _plan_document(canal, result, found, seed)
    written = _write(out, tooth, image, canals, canal, result, found, plan, seed)
    print_plan(result)
    print_truth(tooth, canals)
    print_text("Written:")
    for path in (out / SCAN_FOLDER, *written):
        print_text(f"  {path}")
    invented_notice(True)
    print_cautions(image.cautions + canal.cautions + result.cautions + result.plans[0].cautions)


def _planned(canal: Canal) -> PlanResult:
    from canalwright.cli.canals import patency_pass
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


def _plan_document(
    canal: Canal, result: PlanResult, found: CanalsDocument, seed: int
) -> PlanDocument:
    from canalwright.cli.canals import patency_pass
    from canalwright.exchange.plans import plan_document

    inputs = {
        "canals": {"source": "canals.json", "schema": found.schema_, "inputs": found.inputs},
        "tray": "standard",
        "seed": seed,
    }
    return plan_document(canal, result, patency=patency_pass(*_PATENCY), inputs=inputs)


def _write(
    out: Path,
    tooth: RootPhantom,
    image: Scan,
    canals: tuple[Canal, ...],
    canal: Canal,
    result: PlanResult,
    found: CanalsDocument,
    plan: PlanDocument,
    seed: int,
) -> list[Path]:
    from canalwright.cli.pictures import PlanPictures, stage_overview
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles

    documents = {
        out / "canals.json": found,
        out / "plan.json": plan,
        out / "truth.json": truth_document(tooth, seed),
    }
    pictures = PlanPictures(canal, result, image)
    report = out / "report.pdf"
    with StagedFiles() as staged:
        for path, document in documents.items():
            staged.write_text(str(path), document_text(document))
        with progress_bar("Drawing figures"):
            drawn = stage_overview(staged, image, canals, out, tooth.name)
            drawn += pictures.stage_figures(staged, out)
        with progress_bar("Writing the report"):
            pictures.stage_report(staged, report, _digests(image))
    announce(f"wrote {len(documents) + len(drawn) + 1} files to {out}")
    return [*documents, *drawn, report]


def _digests(image: Scan) -> dict[str, str]:
    return {f"invented scan ({SCAN_FOLDER})": image.digest}
