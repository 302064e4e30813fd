"""The shelf of cases: canals documents in one folder, known by their content, never by a path."""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from canalwright.anatomy.canal import Canal
from canalwright.errors import CanalwrightError, UnknownName, UnreadableFile
from canalwright.exchange.canals import CanalsDocument
from canalwright.exchange.canals_in import read_canals
from canalwright.exchange.files import StagedFiles
from canalwright.exchange.inputs import file_digest

__all__ = ["LARGEST_UPLOAD_BYTES", "Case", "Listing", "Shelf"]

LARGEST_UPLOAD_BYTES: Final = 30_000_000
_MOST_FILES: Final = 500
_KEY_LENGTH: Final = 16
_WANTED: Final = CanalsDocument.kind


@dataclass(frozen=True, eq=False)
class Case:
    """One canals document.

    Attributes
    ----------
    key : str
        Start of the SHA-256 of the file: its address in the workbench.
    digest : str
    path : Path
    name : str
        Path within the shelf's folder, for people.
    canals : tuple of Canal
    document : CanalsDocument
    """

    key: str
    digest: str
    path: Path
    name: str
    canals: tuple[Canal, ...]
    document: CanalsDocument

    @property
    def invented(self) -> bool:
        """Whether any canal is made up."""
        return self.document.invented or any(c.provenance.invented for c in self.canals)


@dataclass(frozen=True, eq=False)
class Listing:
    """What a folder holds: cases, and a sentence for every document that cannot be used."""

    cases: tuple[Case, ...]
    faults: tuple[str, ...]


class Shelf:
    """The canals documents in a folder and in the folders directly below it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._read: dict[tuple[Path, int, int], Case | str | None] = {}

    def listing(self) -> Listing:
        """Return what the folder holds now; unchanged files are not read again."""
        found = [self._entry(path) for path in self._files()]
        cases = {entry.key: entry for entry in found if isinstance(entry, Case)}
        faults = tuple(entry for entry in found if isinstance(entry, str))
        return Listing(tuple(cases.values()), faults)

    def find(self, key: str) -> Case:
        """Return the case with this address.

        Raises
        ------
        UnknownName
            If no document on the shelf has that content.
        """
        cases = self.listing().cases
        for case in cases:
            if case.key == key:
                return case
        raise UnknownName(
            kind="case on this shelf",
            got=key[:_KEY_LENGTH],
            known=tuple(case.name for case in cases),
            hint="Its file may have changed; open it again from the list of cases.",
        )

    def take_in(self, name: str, content: bytes) -> Case:
        """Check an uploaded document and store it under a name made from its content.

        Parameters
        ----------
        name : str
            What the file was called; letters, digits, dots and dashes of it are kept.
        content : bytes

        Raises
        ------
        UnreadableFile
            If it is too large or is not a canals document; nothing is stored then.
        """
        shown = _plain(name)
        if len(content) > LARGEST_UPLOAD_BYTES:
            limit_mb = LARGEST_UPLOAD_BYTES // 1_000_000
            raise UnreadableFile(path=shown, problem=f"larger than the {limit_mb} MB allowed here")
        _checked(shown, content)
        digest = hashlib.sha256(content).hexdigest()
        for case in self.listing().cases:
            if case.digest == digest:
                return case
        target = self.folder / f"{Path(shown).stem}-{digest[:8]}.json"
        with StagedFiles() as staged:
            staged.path_for(target).write_bytes(content)
        return self.find(digest[:_KEY_LENGTH])

    def _files(self) -> Iterator[Path]:
        patterns = ("*.json", "*/*.json")
        inside = self.folder.resolve()
        listed = (path for pattern in patterns for path in sorted(self.folder.glob(pattern)))
        for path, _ in zip(listed, range(_MOST_FILES), strict=False):
            hidden = any(part.startswith(".") for part in path.relative_to(self.folder).parts)
            if path.is_file() and not hidden and path.resolve().is_relative_to(inside):
                yield path

    def _entry(self, path: Path) -> Case | str | None:
        """Return a case, a sentence about a faulty one, or None for other documents."""
        try:
            state = path.stat()
        except OSError:
            return None
        key = (path, state.st_mtime_ns, state.st_size)
        if key not in self._read:
            self._read[key] = self._opened(path)
        return self._read[key]

    def _opened(self, path: Path) -> Case | str | None:
        if not _says_canals(path):
            return None
        name = str(path.relative_to(self.folder))
        try:
            canals, document = read_canals(path)
            digest = file_digest(path)
        except CanalwrightError as error:
            return error.sentence().replace(str(path), name)
        return Case(digest[:_KEY_LENGTH], digest, path, name, canals, document)


def _says_canals(path: Path) -> bool:
    """Return whether the document calls itself one of canals; others are not ours to judge."""
    if path.stat().st_size > LARGEST_UPLOAD_BYTES:
        return False
    try:
        text = path.read_text("utf-8")
        data = json.loads(text) if _WANTED.split("@")[0] in text else None
    except (OSError, ValueError, RecursionError):
        return False
    schema = data.get("schema") if isinstance(data, dict) else None
    return isinstance(schema, str) and schema.startswith(_WANTED.split("@")[0] + "@")


def _checked(name: str, content: bytes) -> None:
    with tempfile.TemporaryDirectory(prefix="canalwright-upload-") as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        try:
            read_canals(path)
        except UnreadableFile as error:
            place = error.path.replace(str(path), name)
            raise UnreadableFile(path=place, problem=error.problem, hint=error.hint) from None


def _plain(name: str) -> str:
    """Return a file name without anything that could lead elsewhere."""
    stem = re.sub(r"[^A-Za-z0-9._-]+", "_", Path(name.replace("\\", "/")).stem).strip("._-")
    return f"{stem[:60] or 'canals'}.json"
