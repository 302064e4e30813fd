"""Files of a case: cleaned and kept first, then recorded in one short transaction."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import select

from canalwright.errors import UnreadableFile
from canalwright.records.blobs import KeptFile
from canalwright.records.deidentify import LARGEST_IMAGE_BYTES, cleaned_image
from canalwright.records.nouns import Attachment, AttachmentKind, Case, new_id
from canalwright.records.schema import CHAIN_HEAD
from canalwright.records.store import Store, Writing

__all__ = ["Prepared", "attach", "files_below", "prepare_files"]

MOST_FILES: Final = 20_000

Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Prepared:
    """A file that lies on the shelf and is not recorded yet."""

    name: str
    kept: KeptFile
    media_type: str
    cleaned: str


def files_below(path: Path) -> list[Path]:
    """Return a file, or the files in a folder and below it, sorted.

    Raises
    ------
    UnreadableFile
        If there is nothing, or far too much.
    """
    if path.is_file():
        return [path]
    found = sorted(p for p in path.rglob("*") if p.is_file() and not p.is_symlink())
    if not found:
        raise UnreadableFile(path=str(path), problem="there is no file here")
    if len(found) > MOST_FILES:
        raise UnreadableFile(path=str(path), problem=f"more than {MOST_FILES} files")
    return found


def prepare_files(
    store: Store,
    paths: Sequence[Path],
    kind: AttachmentKind,
    *,
    as_is: bool = False,
    progress: Progress = lambda _share: None,
) -> list[Prepared]:
    """Clean files and put them on the shelf, each under a name that says nothing.

    Parameters
    ----------
    store : Store
    paths : sequence of Path
    kind : AttachmentKind
    as_is : bool
        Keep the files unchanged; the user answers for what they hold.
    progress : callable

    Raises
    ------
    UnreadableFile
        If a file cannot be read or cleaned; the others stay on the shelf, where nothing refers to
        them, and `doctor` clears them away.
    """
    with store.reading() as reading:
        salt = str(reading.connection.execute(select(CHAIN_HEAD.c.store_id)).scalar_one())
    prepared = []
    for at, path in enumerate(paths):
        name = f"{kind}-{at + 1:04d}" if len(paths) > 1 else str(kind)
        make = _as_is if as_is or kind is AttachmentKind.FILE else _cleaned
        prepared.append(make(store, path, name, salt))
        progress((at + 1) / len(paths))
    return prepared


def attach(
    writing: Writing,
    case_id: str,
    prepared: Sequence[Prepared],
    kind: AttachmentKind,
    *,
    tooth_id: str | None = None,
    note: str = "",
) -> list[Attachment]:
    """Record prepared files as one group of a case.

    Raises
    ------
    NotRecorded
        If the case does not exist.
    """
    writing.get(Case, case_id)
    group_id = new_id()
    made = []
    for one in prepared:
        writing.keep_file(one.kept)
        made.append(
            writing.create(
                Attachment(
                    case_id=case_id,
                    attachment_kind=kind,
                    name=one.name,
                    sha256=one.kept.sha256,
                    size_bytes=one.kept.size_bytes,
                    group_id=group_id,
                    tooth_id=tooth_id,
                    media_type=one.media_type,
                    cleaned=one.cleaned,
                    note=note,
                )
            )
        )
    return made


def _cleaned(store: Store, path: Path, name: str, salt: str) -> Prepared:
    image = cleaned_image(path, name=name, salt=salt)
    kept = store.files.put(image.content)
    return Prepared(name + image.suffix, kept, image.media_type, image.method)


def _as_is(store: Store, path: Path, name: str, _salt: str) -> Prepared:
    try:
        if path.stat().st_size > LARGEST_IMAGE_BYTES:
            raise UnreadableFile(path=name, problem="larger than 4 GB")
        kept = store.files.put_file(path)
    except FileNotFoundError:
        raise UnreadableFile(path=name, problem="there is no such file") from None
    suffix = "".join(path.suffixes[-2:]) if path.suffix == ".gz" else path.suffix
    plain = suffix.lower() if suffix[1:].replace(".", "").isalnum() and len(suffix) < 9 else ""
    return Prepared(name + plain, kept, "application/octet-stream", "")
