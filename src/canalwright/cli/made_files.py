"""Commands that write files of other kinds say as JSON which files these are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canalwright.cautions import Caution
from canalwright.cli.output import announce, invented_notice, print_cautions

if TYPE_CHECKING:
    from canalwright.exchange.document import Document

__all__ = ["document_cautions", "end_with", "report_files"]


def report_files(
    target: str | None,
    command: str,
    written: Iterable[Path],
    *,
    inputs: Mapping[str, Any] | None = None,
    details: Mapping[str, Any] | None = None,
    cautions: Iterable[Caution] = (),
    invented: bool = False,
) -> None:
    """Write the document ``canalwright/files@1`` about files just written, if it was asked for."""
    if target is None:
        return
    from canalwright.cli.writing import write_document
    from canalwright.exchange.written_files import files_document

    document = files_document(
        command, written, inputs=inputs, details=details, cautions=cautions, invented=invented
    )
    write_document(document, target)


def document_cautions(document: Document) -> tuple[Caution, ...]:
    """Return the cautions that a document carries."""
    return tuple(Caution(one.code, one.text, one.source) for one in document.cautions)


def end_with(document: Document, *, identity: bool = False) -> None:
    """Say what goes with a file made from a document: invented, named, cautioned."""
    invented_notice(document.invented)
    if identity:
        announce("This object NAMES THE PATIENT, as asked: treat it like the scan itself.")
    print_cautions(document_cautions(document))
