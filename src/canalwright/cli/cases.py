"""``canalwright cases``: new, list, search, show, attach, amend, withdraw."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.options import JsonFile
from canalwright.cli.output import announce, progress_bar
from canalwright.cli.records_options import (
    Actor,
    CaseName,
    DatabaseUrl,
    DataFolder,
    Reason,
    ToothNumber,
    chosen,
    opened,
)
from canalwright.cli.records_output import answer, print_rows, short_cautions
from canalwright.errors import UsageError

if TYPE_CHECKING:
    from canalwright.records import Store
    from canalwright.records.cases import CaseFile, CaseLine, CasePage
    from canalwright.records.nouns import Attachment, Case, Document

__all__ = ["cases"]

cases = typer.Typer(
    help="Cases: pseudonymous, with teeth, scans, canals, plans, visits and recalls.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Label = Annotated[
    str, typer.Option(metavar="TEXT", help="A label of your own; no person's name is needed.")
]
Difficulty = Annotated[
    str, typer.Option(metavar="TEXT", help="Your class of difficulty; statistics group by it.")
]
Note = Annotated[str, typer.Option(metavar="TEXT", help="A note.")]


@cases.command("new", short_help="Make a case", epilog="Example: canalwright cases new --tooth 36")
def new(
    label: Label = "",
    pseudonym: Annotated[
        str, typer.Option(metavar="NAME", help="Its name; made up by the program if left out.")
    ] = "",
    tooth: Annotated[
        list[str] | None, typer.Option(metavar="N", help="A tooth; may be repeated.")
    ] = None,
    difficulty: Difficulty = "",
    invented: Annotated[
        bool, typer.Option("--invented", help="Mark it as made up for teaching.")
    ] = False,
    note: Note = "",
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Make a new case and print its pseudonym."""
    from canalwright.records.cases import create_case

    with opened(data, database) as store, store.writing(by) as writing:
        made = create_case(
            writing, pseudonym=pseudonym, label=label, difficulty=difficulty, invented=invented,
            note=note, teeth=tooth or [],
        )  # fmt: skip
    answer(json, "case-record", {"case": made}, [made.pseudonym], invented=invented)


@cases.command(
    "list", short_help="List cases", epilog="Example: canalwright cases list --status open"
)
def list_them(
    status: Annotated[
        str, typer.Option(metavar="STATUS", help="Only open, treated or closed ones.")
    ] = "",
    limit: Annotated[int, typer.Option(metavar="N", help="How many, at most 500.")] = 50,
    before: Annotated[
        int | None, typer.Option(metavar="N", help="Go on after a page: the number it ends with.")
    ] = None,
    withdrawn: Annotated[bool, typer.Option("--withdrawn", help="Withdrawn cases too.")] = False,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """List cases, the last changed first."""
    _list(data, database, json, status=status, limit=limit, before=before, withdrawn=withdrawn)


@cases.command(
    "search", short_help="Find cases", epilog="Example: canalwright cases search 'molar 36'"
)
def search(
    words: Annotated[
        str, typer.Argument(metavar="WORDS", help="Beginnings of words; all must occur.")
    ],
    limit: Annotated[int, typer.Option(metavar="N", help="How many, at most 500.")] = 50,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Find cases by beginnings of words in pseudonym, label and teeth."""
    _list(data, database, json, search=words, limit=limit)


@cases.command(
    "show", short_help="Show a case", epilog="Example: canalwright cases show C-7F3K-9QMT"
)
def show(
    case: CaseName,
    history: Annotated[
        bool, typer.Option("--history", help="Every change: when, by whom, why.")
    ] = False,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Show everything that is recorded about a case."""
    from canalwright.records.cases import find_case, open_case

    with opened(data, database) as store, store.reading() as reading:
        shown = open_case(reading, find_case(reading, case).id)
        entries = reading.case_history(shown.case.id) if history or json else []
    content = {**asdict(shown), "history": [entry.fields() for entry in entries]}
    if answer(json, "case", content, _head(shown.case), invented=shown.case.invented):
        _print_case(shown)
        if history:
            print_rows(
                "History",
                (("entry", "right"), ("time (UTC)", "left"), ("by", "left"), ("what", "left"),
                 ("reason", "text")),
                [(e.sequence, e.at_utc[:19], e.actor, f"{e.operation} {e.kind}", e.reason)
                 for e in entries],
                empty="No history.",
            )  # fmt: skip


@cases.command(
    "attach",
    short_help="Add documents, scans, radiographs",
    epilog="Example: canalwright cases attach C-7F3K-9QMT scan/ --as scan",
)
def attach(
    case: CaseName,
    paths: Annotated[
        list[Path], typer.Argument(metavar="PATH…", help="JSON documents, image files or folders.")
    ],
    kind: Annotated[
        str,
        typer.Option(
            "--as",
            metavar="KIND",
            help="document, scan, radiograph, photo or file; guessed if left out.",
        ),
    ] = "",
    tooth: ToothNumber = "",
    as_is: Annotated[
        bool,
        typer.Option("--as-is", help="Keep images unchanged: you answer for what they name."),
    ] = False,
    note: Note = "",
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Add documents (canals, plans, …) or files to a case; identifying headers are taken out."""
    from canalwright.records.deidentify import DEIDENTIFICATION_CAUTIONS

    with opened(data, database) as store:
        if kind == "document" or (not kind and all(path.suffix == ".json" for path in paths)):
            added: list[Any] = _add_documents(store, case, paths, tooth, note, by)
        else:
            added = _add_files(store, case, paths, kind, tooth, note, by, as_is)
    images = any(getattr(one, "cleaned", "") or as_is for one in added)
    cautions = DEIDENTIFICATION_CAUTIONS if images else ()
    lines = [f"{one.name}  {one.size_bytes} bytes  {one.sha256[:12]}…" for one in added[:20]]
    if len(added) > 20:
        lines.append(f"and {len(added) - 20} more")
    answer(json, "attached", {"added": added}, lines, cautions=cautions)
    if cautions:
        short_cautions(cautions)


@cases.command(
    "amend",
    short_help="Correct a case",
    epilog="Example: canalwright cases amend C-7F3K-9QMT --status treated --reason finished",
)
def amend(
    case: CaseName,
    reason: Reason,
    label: Annotated[str | None, typer.Option(metavar="TEXT", help="Another label.")] = None,
    pseudonym: Annotated[str | None, typer.Option(metavar="NAME", help="Another name.")] = None,
    status: Annotated[
        str | None, typer.Option(metavar="STATUS", help="open, treated or closed.")
    ] = None,
    difficulty: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Another class of difficulty.")
    ] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="Another note.")] = None,
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Correct a case; what was recorded before stays in its history."""
    from canalwright.records.cases import amend_case, find_case
    from canalwright.records.nouns import CaseStatus

    values = {"label": label, "pseudonym": pseudonym, "difficulty": difficulty, "note": note}
    changes: dict[str, Any] = {key: value for key, value in values.items() if value is not None}
    if status is not None:
        changes["status"] = chosen(CaseStatus, status, what="status of a case")
    if not changes:
        raise UsageError("Nothing to correct: give --label, --status, --difficulty or --note.")
    with opened(data, database) as store, store.writing(by) as writing:
        made = amend_case(writing, replace(find_case(writing, case), **changes), reason=reason)
    answer(json, "case-record", {"case": made}, _head(made))


@cases.command(
    "withdraw",
    short_help="Mark a case as recorded by mistake",
    epilog="Example: canalwright cases withdraw C-7F3K-9QMT --reason 'entered twice'",
)
def withdraw(
    case: CaseName,
    reason: Reason,
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Mark a case as recorded by mistake: it is no longer listed or counted, and stays readable."""
    from canalwright.records.cases import find_case

    with opened(data, database) as store, store.writing(by) as writing:
        made = writing.withdraw(find_case(writing, case), reason=reason)
    answer(json, "case-record", {"case": made}, [f"{made.pseudonym} is withdrawn."])


def _list(
    data: Path | None,
    database: str | None,
    json: str | None,
    *,
    status: str = "",
    **options: Any,
) -> None:
    from canalwright.records.cases import list_cases
    from canalwright.records.nouns import CaseStatus

    if status:
        options["status"] = chosen(CaseStatus, status, what="status of a case")
    with opened(data, database) as store, store.reading() as reading:
        page = list_cases(reading, **options)
    content = {"cases": [asdict(line) for line in page.lines], "next_before": page.next_before}
    if answer(json, "cases", content):
        _print_list(page)


def _print_list(page: CasePage) -> None:
    print_rows(
        "Cases",
        (("case", "left"), ("label", "text"), ("teeth", "left"), ("status", "left"),
         ("difficulty", "left"), ("visits", "right"), ("last change (UTC)", "left")),
        [_list_row(line) for line in page.lines],
        empty="No case is recorded here (or none with these words).",
    )  # fmt: skip
    if page.next_before is not None:
        announce(f"more with --before {page.next_before}")


def _list_row(line: CaseLine) -> tuple[Any, ...]:
    one = line.case
    name = f"{one.pseudonym} (invented)" if one.invented else one.pseudonym
    status = "withdrawn" if one.withdrawn else str(one.status)
    return (
        name, one.label, ", ".join(line.teeth), status, one.difficulty, line.visit_count,
        line.last_utc[:16].replace("T", " "),
    )  # fmt: skip


def _head(case: Case) -> list[str]:
    marks = [str(case.status), case.difficulty, "INVENTED" if case.invented else "",
             "WITHDRAWN" if case.withdrawn else ""]  # fmt: skip
    lines = [f"{case.pseudonym}  {', '.join(mark for mark in marks if mark)}"]
    return lines + [text for text in (case.label, case.note) if text]


def _print_case(shown: CaseFile) -> None:
    from canalwright.cli.visits import print_events

    held: list[Document | Attachment] = [*shown.documents, *shown.attachments]
    teeth = {tooth.id: tooth.number for tooth in shown.teeth}
    print_rows(
        "Documents and files",
        (("kind", "left"), ("name", "text"), ("tooth", "left"), ("SHA-256", "left")),
        [
            (getattr(one, "document_kind", "") or getattr(one, "attachment_kind", ""), one.name,
             teeth.get(one.tooth_id or ""), one.sha256[:12])
            for one in held if not one.withdrawn
        ][:40],
        empty="No documents or files.",
    )  # fmt: skip
    for visit in shown.visits:
        print_events(visit, [e for e in shown.events if e.visit_id == visit.id], teeth)
    print_rows(
        "Recalls",
        (("date", "left"), ("tooth", "left"), ("periapical index", "right"), ("outcome", "left"),
         ("symptoms", "text")),
        [(r.on_date, teeth.get(r.tooth_id or ""), r.periapical_index, r.outcome, r.symptoms)
         for r in shown.recalls if not r.withdrawn],
        empty="No recalls.",
    )  # fmt: skip


def _add_documents(
    store: Store, case: str, paths: list[Path], tooth: str, note: str, by: str
) -> list[Any]:
    from canalwright.records.cases import find_case
    from canalwright.records.documents import add_document, read_document_bytes
    from canalwright.records.visits import tooth_of

    contents = [read_document_bytes(path) for path in paths]
    with store.writing(by) as writing:
        case_id = find_case(writing, case).id
        tooth_id = tooth_of(writing, case_id, tooth)
        return [
            add_document(
                writing, content, name=path.name, case_id=case_id, tooth_id=tooth_id, note=note
            )
            for path, content in zip(paths, contents, strict=True)
        ]


def _add_files(
    store: Store, case: str, paths: list[Path], kind: str, tooth: str, note: str, by: str,
    as_is: bool,
) -> list[Any]:  # fmt: skip
    from canalwright.records.attachments import attach as record
    from canalwright.records.attachments import files_below, prepare_files
    from canalwright.records.cases import find_case
    from canalwright.records.nouns import AttachmentKind
    from canalwright.records.visits import tooth_of

    guessed = "scan" if any(path.is_dir() for path in paths) else "radiograph"
    what = chosen(AttachmentKind, kind or guessed, what="kind of file")
    with store.reading() as reading:
        find_case(reading, case)
    found = [file for path in paths for file in files_below(path)]
    with progress_bar("taking in files") as progress:
        prepared = prepare_files(store, found, what, as_is=as_is, progress=progress)
    with store.writing(by) as writing:
        case_id = find_case(writing, case).id
        tooth_id = tooth_of(writing, case_id, tooth)
        return list(record(writing, case_id, prepared, what, tooth_id=tooth_id, note=note))
