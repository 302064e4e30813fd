"""Entries of a visit from other documents: canals, plans, or a visit that was written before."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.errors import UnknownName, UnreadableFile
from canalwright.exchange.canals_in import canals_from_bytes, read_canals
from canalwright.exchange.document import document_from_bytes, read_document
from canalwright.exchange.inputs import file_digest
from canalwright.exchange.plans import PlanDocument
from canalwright.exchange.visit_entries import CanalEntry, PatencyEntry, StepEntry, VisitEntries
from canalwright.exchange.visits import VisitDocument
from canalwright.exchange.visits_in import read_visit

__all__ = [
    "VisitSources",
    "canal_entry_of_plan",
    "schema_of",
    "sources_in_memory",
    "visit_sources",
]

_PLAN_NAME: Final = "plan.json"
_CANALS_NAME: Final = "canals.json"


@dataclass(frozen=True, eq=False)
class VisitSources:
    """What files say about a visit.

    Attributes
    ----------
    canals : dict of str to Canal
    entries : VisitEntries or None
        Of a visit that was written before.
    sequences : dict of str to CanalEntry
        Sequence, target and patency of canals with a plan.
    digests : dict of str to str
        SHA-256 of every file read, by name.
    cautions : tuple of Caution
    """

    canals: dict[str, Canal]
    entries: VisitEntries | None
    sequences: dict[str, CanalEntry]
    digests: dict[str, str]
    cautions: tuple[Caution, ...] = ()


def schema_of(path: Path) -> str:
    """Return the schema a JSON file names, or the empty string."""
    try:
        data: Any = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return ""
    found = data.get("schema") if isinstance(data, dict) else None
    return found if isinstance(found, str) else ""


def visit_sources(
    files: tuple[Path, ...], *, canals_file: Path | None = None, extra: tuple[Any, ...] = ()
) -> VisitSources:
    """Read canals, plans or a visit.

    Parameters
    ----------
    files : tuple of Path
        ``visit-plan@1``, ``canals@1`` or ``plan@1`` documents.
    canals_file : Path, optional
        Where the canals of plans are; by default the file that a plan names, beside it.
    extra : tuple of Instrument
        The user's own instruments.

    Raises
    ------
    UnreadableFile
        If a document cannot be read, or the canal of a plan is not found.
    """
    found = VisitSources({}, None, {}, {})
    if canals_file is not None:
        found = _with_canals(found, canals_file)
    plans: list[tuple[Path, PlanDocument]] = []
    for path in files:
        schema = schema_of(path)
        if schema == VisitDocument.kind:
            found = _with_visit(found, path, extra)
        elif schema == PlanDocument.kind:
            plans.append((path, read_document(path, PlanDocument)))
        else:
            found = _with_canals(found, path)
    for path, plan in plans:
        found = _with_plan(found, path, plan)
    return found


def sources_in_memory(plan: bytes, canals: bytes) -> VisitSources:
    """Return what a ``plan@1`` and its ``canals@1`` document say, both in memory.

    Raises
    ------
    UnreadableFile
        As of `visit_sources`.
    """
    named = {canal.name: canal for canal in canals_from_bytes(canals, _CANALS_NAME)[0]}
    digests = {_CANALS_NAME: sha256(canals).hexdigest(), _PLAN_NAME: sha256(plan).hexdigest()}
    document = document_from_bytes(plan, _PLAN_NAME, PlanDocument)
    _require_sequence(document, _PLAN_NAME)
    if document.canal not in named:
        raise UnknownName(kind="measured canal", got=document.canal, known=tuple(named))
    return VisitSources(named, None, {document.canal: canal_entry_of_plan(document)}, digests)


def canal_entry_of_plan(plan: PlanDocument, at: int = 0) -> CanalEntry:
    """Return sequence, target and patency of one of the sequences of a plan.

    Depths of the plan count from level 0; at the chair they count from working length.
    """
    patency = plan.patency
    return CanalEntry(
        canal=plan.canal,
        steps=[
            StepEntry(instrument=step.instrument, short_mm=max(step.to_level_mm, 0.0))
            for step in plan.plans[at].sequence
        ],
        target_size=plan.target.size,
        target_taper_mm_per_mm=plan.target.taper_mm_per_mm,
        patency=None
        if patency is None
        else PatencyEntry(
            instrument=patency.instrument,
            past_mm=max(-patency.to_level_mm, 0.0),
            loose_mm=patency.loose_mm,
        ),
    )


def _with_canals(found: VisitSources, path: Path) -> VisitSources:
    canals, _ = read_canals(path)
    named = {canal.name: canal for canal in canals}
    return replace(
        found,
        canals=found.canals | named,
        digests=found.digests | {path.name: file_digest(path)},
    )


def _with_visit(found: VisitSources, path: Path, extra: tuple[Any, ...]) -> VisitSources:
    if found.entries is not None:
        raise UnreadableFile(path=str(path), problem="a second visit; give one at a time")
    visit, document = read_visit(path, extra)
    return replace(
        found,
        canals=found.canals | {one.canal.name: one.canal for one in visit.canals},
        entries=document.entries,
        digests=found.digests | {path.name: file_digest(path)},
    )


def _require_sequence(plan: PlanDocument, name: str) -> None:
    if plan.plans and not plan.plans[0].sequence:
        raise UnreadableFile(
            path=name,
            problem=f"the plan for {plan.canal} needs no instrument, so there is no step to show",
        )
    if not plan.plans:
        raise UnreadableFile(path=name, problem="the plan holds no sequence")


def _with_plan(found: VisitSources, path: Path, plan: PlanDocument) -> VisitSources:
    _require_sequence(plan, str(path))
    if plan.canal not in found.canals:
        found = _with_canals_of_plan(found, path, plan)
    return replace(
        found,
        sequences=found.sequences | {plan.canal: canal_entry_of_plan(plan)},
        digests=found.digests | {path.name: file_digest(path)},
    )


def _with_canals_of_plan(found: VisitSources, path: Path, plan: PlanDocument) -> VisitSources:
    stated = plan.inputs.get("canals")
    source = stated.get("source") if isinstance(stated, dict) else None
    beside = path.parent / Path(str(source)).name if source else None
    if beside is None or not beside.is_file():
        raise UnreadableFile(
            path=str(path),
            problem=f"the canals of this plan ({source or 'not named in it'}) are not beside it; "
            "name their file with --canals",
        )
    read = _with_canals(found, beside)
    if plan.canal not in read.canals:
        raise UnknownName(kind=f"canal in {beside}", got=plan.canal, known=tuple(read.canals))
    expected = stated.get("sha256") if isinstance(stated, dict) else None
    if expected in (None, read.digests[beside.name]):
        return read
    return replace(read, cautions=(*read.cautions, _changed(path, beside)))


def _changed(path: Path, canals: Path) -> Caution:
    return Caution(
        "CANALS_CHANGED",
        f"{canals.name} is not the file that {path.name} was computed from: the sequence may not "
        "suit the canal.",
        "project rule",
    )
