"""Taking in exported cases: compared first, reported, and written only if nothing conflicts."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final

from canalwright.errors import CanalwrightError
from canalwright.records.blobs import KeptFile
from canalwright.records.canonical import sha256_hex
from canalwright.records.case_folder import CASE_SCHEMA, CaseExport, kept_files
from canalwright.records.cases import index_words
from canalwright.records.errors import DamagedBackup, ImportConflict
from canalwright.records.nouns import (
    Attachment,
    AttachmentKind,
    Case,
    Noun,
    PhysicalInstrument,
)
from canalwright.records.rows import NOUNS, payload_of
from canalwright.records.schema import RECORD_TABLES
from canalwright.records.store import LOCAL_ACTOR, Reading, Store, Writing

__all__ = ["ImportReport", "Incoming", "compare", "import_case", "read_case_folder"]

LARGEST_FILE_BYTES: Final = 4_000_000_000
MOST_FILES: Final = 50_000


@dataclass(frozen=True, slots=True)
class Incoming:
    """An exported case that was read and checked."""

    path: Path
    export: CaseExport
    history_text: bytes
    lineage: frozenset[tuple[str, int, str]]


@dataclass(slots=True)
class ImportReport:
    """What an import does, or would do.

    Attributes
    ----------
    case : str
        Pseudonym.
    new, newer, same : list of Noun
        Records that are not here; that continue what is here; that are equal.
    conflicts : list of str
        One sentence for each record that was changed in both places, and each name that is taken.
    kept_mine : list of Noun
        Conflicting records of which those here were kept.
    """

    case: str
    new: list[Noun] = field(default_factory=list)
    newer: list[Noun] = field(default_factory=list)
    same: list[Noun] = field(default_factory=list)
    conflicts: list[str] = field(default_factory=list)
    kept_mine: list[Noun] = field(default_factory=list)

    @property
    def changes(self) -> bool:
        """Whether anything is to be written."""
        return bool(self.new or self.newer)


def read_case_folder(path: Path) -> Incoming:
    """Read an exported case and check every file of it against its digest.

    Raises
    ------
    DamagedBackup
        If it is no exported case, or not as it was written.
    """
    digests = _manifest(path)
    for name, sha256 in digests.items():
        if sha256_hex(_content(path, name)) != sha256:
            raise DamagedBackup(path=str(path), problem=f"{name} in it was changed")
    for needed in ("case.json", "history.jsonl"):
        if needed not in digests:
            raise DamagedBackup(path=str(path), problem=f"{needed} is missing")
    data = _json(path, "case.json")
    if not isinstance(data, dict) or data.get("schema") != CASE_SCHEMA:
        raise DamagedBackup(path=str(path), problem=f"case.json is not of the schema {CASE_SCHEMA}")
    records = _records(path, data.get("records"))
    cases = records.get(Case.kind, [])
    if len(cases) != 1 or not isinstance(cases[0], Case):
        raise DamagedBackup(path=str(path), problem="it does not hold exactly one case")
    export = CaseExport(cases[0], records, ())
    for name, sha256 in kept_files(export).items():
        if digests.get(name) != sha256:
            raise DamagedBackup(path=str(path), problem=f"{name} is missing")
    history = _content(path, "history.jsonl")
    return Incoming(path, export, history, _lineage(path, history))


def compare(reading: Reading, incoming: Incoming) -> ImportReport:
    """Return what an import would do."""
    report = ImportReport(case=incoming.export.case.pseudonym)
    for noun in _ordered(incoming.export):
        known = next(iter(reading.find(type(noun), id=noun.id)), None)
        taken = _name_taken(reading, noun)
        if taken:
            report.conflicts.append(taken)
            report.kept_mine.append(noun)
        elif known is None:
            report.new.append(noun)
        elif payload_of(known) == payload_of(noun):
            report.same.append(noun)
        elif (noun.id, known.version, payload_of(known)) in incoming.lineage:
            report.newer.append(noun)
        elif _was_here(reading, noun):
            report.same.append(noun)
        else:
            report.conflicts.append(
                f"a record of {noun.kind} ({noun.id[:12]}…) was changed here (version "
                f"{known.version}) and there (version {noun.version})"
            )
            report.kept_mine.append(noun)
    return report


def import_case(
    store: Store,
    incoming: Incoming,
    *,
    actor: str = LOCAL_ACTOR,
    keep_mine: bool = False,
    progress: Callable[[float], None] = lambda _share: None,
) -> ImportReport:
    """Take in an exported case, in one transaction.

    Parameters
    ----------
    store : Store
    incoming : Incoming
    actor : str
    keep_mine : bool
        Where both places changed a record, keep the one here and take in the rest.
    progress : callable

    Raises
    ------
    ImportConflict
        If something differs and `keep_mine` is not set; nothing was imported.
    """
    shelved = _shelve(store, incoming, progress)
    with store.writing(actor) as writing:
        report = compare(writing, incoming)
        if report.conflicts and not (keep_mine and _separable(report)):
            raise ImportConflict(path=str(incoming.path), conflicts=tuple(report.conflicts))
        if report.changes:
            _write(writing, report, shelved)
            _keep_history(writing, incoming)
            index_words(writing, incoming.export.case.id)
    return report


def _write(writing: Writing, report: ImportReport, shelved: dict[str, KeptFile]) -> None:
    reason = "imported from an exported case"
    for noun in report.new:
        sha256 = getattr(noun, "sha256", None)
        if sha256 is not None:
            writing.keep_file(shelved[sha256])
        writing.adopt(noun, reason=reason)
    for noun in report.newer:
        known = writing.get(type(noun), noun.id)
        writing.adopt(noun, reason=reason, over=known.version)


def _keep_history(writing: Writing, incoming: Incoming) -> None:
    """Keep the history of the other place beside ours, so that nothing of it is lost."""
    kept = writing.files.put(incoming.history_text)
    writing.keep_file(kept)
    case_id = incoming.export.case.id
    if not writing.find(Attachment, case_id=case_id, sha256=kept.sha256):
        writing.create(
            Attachment(
                case_id=case_id,
                attachment_kind=AttachmentKind.FILE,
                name="imported-history.jsonl",
                sha256=kept.sha256,
                size_bytes=kept.size_bytes,
                media_type="application/jsonl",
                note="History of the place that this case was imported from.",
            )
        )


def _shelve(
    store: Store, incoming: Incoming, progress: Callable[[float], None]
) -> dict[str, KeptFile]:
    named = kept_files(incoming.export)
    shelved = {}
    for at, (name, sha256) in enumerate(named.items()):
        shelved[sha256] = store.files.put_file(incoming.path / name)
        progress((at + 1) / len(named))
    return shelved


def _ordered(export: CaseExport) -> list[Noun]:
    return [noun for kind in RECORD_TABLES for noun in export.of(kind)]


def _name_taken(reading: Reading, noun: Noun) -> str:
    others: Sequence[Noun] = ()
    if isinstance(noun, Case):
        others = reading.find(Case, pseudonym=noun.pseudonym)
        what = f"another case here is called {noun.pseudonym}"
    elif isinstance(noun, PhysicalInstrument):
        others = reading.find(PhysicalInstrument, code=noun.code)
        what = f"another instrument here has the code {noun.code}"
    return what if any(other.id != noun.id for other in others) else ""


def _was_here(reading: Reading, noun: Noun) -> bool:
    """Return whether the incoming record is an earlier state of the one here."""
    payload = payload_of(noun)
    return any(
        entry.payload == payload and entry.version == noun.version
        for entry in reading.history(noun.id)
    )


def _separable(report: ImportReport) -> bool:
    """Return whether the rest can do without what conflicts: a taken name cannot be kept apart."""
    return not any(text.startswith("another ") for text in report.conflicts)


def _records(path: Path, data: Any) -> dict[str, list[Noun]]:
    if not isinstance(data, dict):
        raise DamagedBackup(path=str(path), problem="case.json has no records")
    made: dict[str, list[Noun]] = {}
    for kind, found in data.items():
        if kind not in NOUNS or not isinstance(found, list):
            raise DamagedBackup(path=str(path), problem=f"records of an unknown kind {kind!r:.40}")
        made[kind] = [_noun(path, kind, one) for one in found]
    return made


def _noun(path: Path, kind: str, data: Any) -> Noun:
    from canalwright.records.rows import noun_of_payload

    try:
        version = data.pop("version")
        noun = noun_of_payload(NOUNS[kind], json.dumps(data), int(version))
        # A round trip through text shows values that are not what the record wants.
        return replace(noun, id=_checked_id(noun.id))
    except (CanalwrightError, TypeError, ValueError, KeyError, AttributeError) as error:
        raise DamagedBackup(
            path=str(path), problem=f"a record of {kind} in it cannot be read ({error})"
        ) from None


def _checked_id(text: str) -> str:
    if len(text) != 32 or not set(text) <= set("0123456789abcdef"):
        raise ValueError("an id that is none")
    return text


def _manifest(path: Path) -> dict[str, str]:
    data = _json(path, "manifest.json")
    digests = data.get("sha256") if isinstance(data, dict) else None
    if not isinstance(digests, dict) or len(digests) > MOST_FILES:
        raise DamagedBackup(path=str(path), problem="its manifest is none")
    return {str(name): str(sha256) for name, sha256 in digests.items()}


def _content(path: Path, name: str) -> bytes:
    inside = PurePosixPath(name)
    if inside.is_absolute() or ".." in inside.parts or "\\" in name:
        raise DamagedBackup(path=str(path), problem="a name in its manifest leads out of it")
    place = path / inside
    try:
        if place.is_symlink() or not place.resolve().is_relative_to(path.resolve()):
            raise DamagedBackup(path=str(path), problem=f"{name} leads out of the folder")
        if place.stat().st_size > LARGEST_FILE_BYTES:
            raise DamagedBackup(path=str(path), problem=f"{name} is larger than 4 GB")
        return place.read_bytes()
    except OSError as error:
        raise DamagedBackup(
            path=str(path), problem=f"{name} cannot be read ({error.strerror})"
        ) from None


def _json(path: Path, name: str) -> Any:
    try:
        return json.loads(_content(path, name))
    except (ValueError, RecursionError):
        raise DamagedBackup(path=str(path), problem=f"{name} is not JSON") from None


def _lineage(path: Path, history: bytes) -> frozenset[tuple[str, int, str]]:
    """Return id, version and payload of every state that the other place has had."""
    try:
        entries = [json.loads(line) for line in history.splitlines() if line.strip()]
        return frozenset((e["record_id"], int(e["version"]), e["payload"]) for e in entries)
    except (ValueError, KeyError, TypeError):
        raise DamagedBackup(path=str(path), problem="history.jsonl cannot be read") from None
