"""Files that appear whole or not at all: written beside their place, then renamed into it."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Final

from canalwright.errors import UsageError

__all__ = ["STDOUT", "StagedFiles", "require_folder", "require_writable"]

STDOUT: Final = "-"


def require_writable(target: str, *, inputs: Iterable[str] = ()) -> None:
    """Check before a computation that its result can be written.

    Parameters
    ----------
    target : str
        A file, or ``-`` for standard output.
    inputs : iterable of str
        Files that the result must not replace.

    Raises
    ------
    UsageError
        If the folder does not exist or cannot be written, the target is a folder, or it is one
        of the inputs.
    """
    if target == STDOUT:
        return
    path = Path(target)
    if path.is_dir():
        raise UsageError(f"{target}: this is a folder; give the name of a file in it.")
    if not path.parent.is_dir():
        raise UsageError(f"{target}: the folder {path.parent} does not exist; make it first.")
    if not os.access(path.parent, os.W_OK):
        raise UsageError(f"{target}: the folder {path.parent} cannot be written to.")
    if any(_same_file(path, Path(other)) for other in inputs):
        raise UsageError(f"{target}: this would replace the input; give another name.")


def require_folder(target: Path) -> None:
    """Check before a computation that a folder can be made or written into.

    Raises
    ------
    UsageError
        If something else stands in its place, or it cannot be written to.
    """
    place = target
    while not place.exists():
        place = place.parent
    if not place.is_dir():
        where = "this" if place == target else str(place)
        raise UsageError(f"{target}: {where} is a file, a folder is needed.")
    if not os.access(place, os.W_OK):
        raise UsageError(f"{target}: the folder {place} cannot be written to.")


class StagedFiles:
    """A group of files that is written completely or not at all.

    Used as a context: `path_for` returns a temporary path beside the wanted one; leaving the
    context without an exception renames all of them into place, leaving it with one removes them.

    Examples
    --------
    >>> with StagedFiles() as staged:                              # doctest: +SKIP
    ...     staged.path_for(Path("plan.json")).write_text("{}")
    """

    def __init__(self) -> None:
        self._waiting: list[tuple[Path, Path]] = []
        self._stdout: list[str] = []

    def __enter__(self) -> StagedFiles:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None:
                self._publish()
        finally:
            self._clean()

    def path_for(self, target: Path) -> Path:
        """Return a path to write to in place of `target`, with the same name.

        The file behind a link is replaced, not the link; devices and pipes are written to.
        """
        special = _is_special(target)
        place = target.resolve() if target.is_symlink() and not special else target
        place.parent.mkdir(parents=True, exist_ok=True)
        room = Path(tempfile.mkdtemp(prefix=".canalwright-", dir=None if special else place.parent))
        self._waiting.append((room / target.name, place))
        return room / target.name

    def write_text(self, target: str, text: str) -> None:
        """Stage text in UTF-8 for a file, or for standard output if the target is ``-``."""
        if target == STDOUT:
            self._stdout.append(text)
            return
        self.path_for(Path(target)).write_text(text, encoding="utf-8", newline="\n")

    def _publish(self) -> None:
        for staged, target in self._waiting:
            if not staged.exists():
                raise FileNotFoundError(f"nothing was written for {target}")
            _flush_to_disk(staged)
        for staged, target in self._waiting:
            _put(staged, target)
        for text in self._stdout:
            sys.stdout.write(text)

    def _clean(self) -> None:
        for staged, _ in self._waiting:
            shutil.rmtree(staged.parent, ignore_errors=True)
        self._waiting.clear()
        self._stdout.clear()


def _is_special(path: Path) -> bool:
    return path.exists() and not path.is_file() and not path.is_dir()


def _put(staged: Path, target: Path) -> None:
    if _is_special(target):
        with staged.open("rb") as source, target.open("wb") as sink:
            shutil.copyfileobj(source, sink)
        return
    if target.exists():
        shutil.copymode(target, staged)
    staged.replace(target)


def _flush_to_disk(path: Path) -> None:
    with path.open("rb") as handle:
        os.fsync(handle.fileno())


def _same_file(path: Path, other: Path) -> bool:
    return path.exists() and other.exists() and path.samefile(other)
