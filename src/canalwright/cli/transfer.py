"""``canalwright export`` and ``import``: a case as a folder, and back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.options import JsonFile
from canalwright.cli.output import announce, progress_bar
from canalwright.cli.records_options import Actor, CaseName, DatabaseUrl, DataFolder, opened
from canalwright.cli.records_output import answer
from canalwright.errors import UsageError

if TYPE_CHECKING:
    from canalwright.records.case_import import ImportReport

__all__ = ["export", "import_cases"]


def export(
    case: CaseName,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="New folder; named after the case.")
    ] = None,
    pdf: Annotated[bool, typer.Option(help="With a summary as PDF.")] = True,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Write a case as a folder that can be read without this program: PDF, JSON, CSV, images."""
    from canalwright.records.case_folder import case_export, write_case
    from canalwright.records.cases import find_case, open_case

    with opened(data, database) as store, store.reading() as reading:
        found = find_case(reading, case)
        target = out or Path(found.pseudonym)
        exported = case_export(reading, found.id)
        more = {}
        if pdf:
            from canalwright.reports.case_pdf import case_pdf

            more["case.pdf"] = case_pdf(open_case(reading, found.id), exported.history)
        names = write_case(reading, exported, target, more)
    answer(
        json,
        "exported",
        {"path": str(target), "files": names},
        [f"{target}: {len(names)} files"],
        invented=found.invented,
    )


def import_cases(
    folders: Annotated[
        list[Path], typer.Argument(metavar="DIR…", help="Folders that 'export' wrote.")
    ],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would happen.")] = False,
    keep_mine: Annotated[
        bool,
        typer.Option("--keep-mine", help="Where both places changed a record, keep the one here."),
    ] = False,
    by: Actor = "local",
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Take in exported cases; each is compared first, and nothing that differs is overwritten."""
    from canalwright.records.case_import import compare, import_case, read_case_folder

    for folder in folders:
        if not folder.is_dir():
            raise UsageError(f"{folder}: there is no such folder.")
    incoming = [read_case_folder(folder) for folder in folders]
    reports: list[ImportReport] = []
    with opened(data, database) as store:
        for one in incoming:
            if dry_run:
                with store.reading() as reading:
                    reports.append(compare(reading, one))
            else:
                with progress_bar(f"importing {one.export.case.pseudonym}") as progress:
                    reports.append(
                        import_case(store, one, actor=by, keep_mine=keep_mine, progress=progress)
                    )
    lines = [_sentence(report) for report in reports]
    answer(json, "imported", {"dry_run": dry_run, "cases": [_record(r) for r in reports]}, lines)
    for report in reports:
        for conflict in report.conflicts:
            announce(f"conflict: {conflict}")


def _sentence(report: ImportReport) -> str:
    parts = [f"{len(report.new)} new", f"{len(report.newer)} newer", f"{len(report.same)} the same"]
    if report.conflicts:
        parts.append(f"{len(report.conflicts)} in conflict")
    return f"{report.case}: {', '.join(parts)}"


def _record(report: ImportReport) -> dict[str, Any]:
    def named(nouns: list[Any]) -> list[dict[str, str]]:
        return [{"kind": noun.kind, "id": noun.id} for noun in nouns]

    return {
        "case": report.case,
        "new": named(report.new),
        "newer": named(report.newer),
        "same": named(report.same),
        "conflicts": report.conflicts,
    }
