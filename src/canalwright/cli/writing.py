"""Results into files: all of them or none."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from canalwright.cli.output import announce
from canalwright.errors import UsageError

if TYPE_CHECKING:
    from canalwright.exchange.document import Document

__all__ = ["check_targets", "write_document"]


def check_targets(
    *targets: str | Path | None,
    inputs: tuple[str | Path, ...] = (),
    folder: Path | None = None,
) -> None:
    """Refuse before the work starts what could not be written after it."""
    from canalwright.exchange.files import require_folder, require_writable

    if folder is not None:
        require_folder(folder)
    files = [str(target) for target in targets if target is not None]
    places = [Path(target).resolve() for target in files]
    for target, place in zip(files, places, strict=True):
        if places.count(place) > 1:
            raise UsageError(f"Two results would be written to {target}; give each its own file.")
        if folder is not None and place == folder.resolve():
            raise UsageError(f"{target} cannot be both a file and a folder; give each its own.")
        require_writable(target, inputs=[str(path) for path in inputs])


def write_document(document: Document, target: str) -> None:
    """Write one document to a file or to standard output."""
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import STDOUT, StagedFiles

    check_targets(target)
    with StagedFiles() as staged:
        staged.write_text(target, document_text(document))
    if target != STDOUT:
        announce(f"wrote {target}")
