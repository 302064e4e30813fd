"""The visit at the end of the demo: two canals of the invented tooth, worked out for the chair."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.cli.chairside import MadeVisit
    from canalwright.exchange.document import Document
    from canalwright.exchange.files import StagedFiles
    from canalwright.planning.types import PlanResult

__all__ = ["demo_visit", "stage_demo_visit"]

# All of this is invented like the tooth itself.
_TOOTH = "36"
_CROWN_MM = 7.0
_ELECTRONIC_BEYOND_MM = 0.2
_REFERENCES = ("mesiobuccal cusp", "mesiolingual cusp")
_PATENCY_PAST_MM = 0.5


def demo_visit(
    canals: Sequence[Canal], result: PlanResult, patency: str, digests: Mapping[str, str]
) -> MadeVisit:
    """Return a visit for the first two canals, both by the sequence of one plan."""
    from canalwright.cli.chairside import entry_of_result, made_visit
    from canalwright.exchange.visit_entries import (
        DiagnosisEntry,
        PatencyEntry,
        ReadingEntry,
        VisitEntries,
    )
    from canalwright.exchange.visit_files import VisitSources

    first = PatencyEntry(instrument=patency, past_mm=_PATENCY_PAST_MM)
    usual = entry_of_result(result.canal_name, result).model_copy(update={"patency": first})
    two = list(zip(canals, _REFERENCES, strict=False))
    entries = VisitEntries(
        canals=[
            usual.model_copy(
                update={
                    "canal": canal.name,
                    "reference": reference,
                    "crown_mm": _CROWN_MM,
                    "readings": [
                        ReadingEntry(
                            method="electronic",
                            length_mm=round(canal.length_mm + _CROWN_MM + _ELECTRONIC_BEYOND_MM, 1),
                            note="invented",
                        )
                    ],
                }
            )
            for canal, reference in two
        ],
        tooth=_TOOTH,
        diagnosis=DiagnosisEntry(
            pulpal="symptomatic irreversible pulpitis", apical="normal apical tissues"
        ),
    )
    sources = VisitSources({canal.name: canal for canal, _ in two}, None, {}, dict(digests))
    return made_visit(entries, sources)


def stage_demo_visit(
    staged: StagedFiles, made: MadeVisit, out: Path
) -> tuple[Path, dict[Path, Document]]:
    """Stage the chairside sheet; return where it will be, and the visit's document."""
    from canalwright.cli.chairside import stage_visit
    from canalwright.exchange.visits import visit_document

    sheet = out / "chairside.pdf"
    stage_visit(staged, made, {"sheet": str(sheet)})
    document = visit_document(made.visit, made.entries, {"files": made.digests}, made.cautions)
    return sheet, {out / "visit.json": document}
