"""Backups: made while others work, of one consistent state, checked after writing."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, MetaData, Table, select

from canalwright import __version__
from canalwright.records import database
from canalwright.records.archive import ArchiveReader, ArchiveWriter, Manifest, opened
from canalwright.records.blobs import KeptFile
from canalwright.records.chain import Entry
from canalwright.records.errors import DamagedBackup, DamagedRecords, StoreUnavailable
from canalwright.records.migrating import VERSION_TABLE, layout_of
from canalwright.records.schema import FILES
from canalwright.records.store import Store, utc_text
from canalwright.records.verify import ChainState, chain_faults

__all__ = ["SUFFIX", "back_up", "back_up_before_migration", "backup_name", "check_backup"]

SUFFIX = ".canalwright-backup"

Progress = Callable[[float], None]

# Who is signed in just now is no record; restored sessions would be keys to a copy.
_LEFT_OUT: Final = frozenset((VERSION_TABLE, "sessions", "sign_in_failures"))


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was written and checked."""

    path: Path
    manifest: Manifest
    encrypted: bool


def backup_name(store: Store) -> str:
    """Return a name for a backup made now."""
    moment = re.sub(r"[-:]", "", utc_text(store.clock())[:19])
    return f"records-{moment}Z{SUFFIX}"


def back_up(
    store: Store,
    target: Path,
    *,
    passphrase: str = "",
    allow_damage: bool = False,
    with_files: bool = True,
    progress: Progress = lambda _share: None,
) -> Backup:
    """Write a backup of one consistent state while others may go on writing.

    Parameters
    ----------
    store : Store
    target : Path
        Must not exist.
    passphrase : str
        Encrypts the backup if given.
    allow_damage : bool
        Save what is left of records some files of which are missing or damaged.
    with_files : bool
        False leaves out the kept files (a change of the layout does not touch them).
    progress : callable

    Raises
    ------
    StoreUnavailable
        If the place cannot be written, or there is something already.
    DamagedRecords
        If a file is missing or damaged and `allow_damage` is not set.
    DamagedBackup
        If what was written cannot be read back.
    """
    if target.exists():
        raise StoreUnavailable(
            place=str(target), problem="there is a file already", hint="Give another name."
        )
    writer = ArchiveWriter(target, passphrase)
    with database.translated(store.engine), database.read(store.engine) as connection, writer:
        manifest = _write(store, connection, writer, with_files, progress)
        if manifest.missing and not allow_damage:
            raise DamagedRecords(place=store.place, faults=tuple(_lost(manifest)))
    try:
        check_backup(writer.staged, passphrase, progress=lambda share: progress(0.6 + 0.4 * share))
    except BaseException:
        writer.discard()
        raise
    writer.publish()
    return Backup(target, manifest, bool(passphrase))


def back_up_before_migration(store: Store, layout: str) -> Path:
    """Write a backup of the database beside it, before its layout is changed."""
    name = backup_name(store).removesuffix(SUFFIX)
    target = store.folder / "backups" / f"{name}-layout-{layout}{SUFFIX}"
    if not target.exists():
        back_up(store, target, with_files=False)
    return target


def check_backup(
    path: Path, passphrase: str = "", *, progress: Progress = lambda _share: None
) -> Manifest:
    """Read a backup from end to end: every table, every file, the hash chain.

    Raises
    ------
    DamagedBackup, WrongPassphrase
        If it cannot be trusted or opened.
    """
    with opened(path, passphrase) as archive:
        manifest = archive.manifest
        for name in manifest.tables:
            if name != "journal":
                for _row in archive.rows(name):
                    pass
        _check_chain(archive)
        for at, sha256 in enumerate(manifest.files):
            archive.copy_file(sha256, None)
            progress((at + 1) / len(manifest.files))
    return manifest


def _check_chain(archive: ArchiveReader) -> None:
    manifest = archive.manifest
    columns = manifest.tables["journal"].columns
    state = ChainState()
    entries = (Entry(**dict(zip(columns, row, strict=True))) for row in archive.rows("journal"))
    for fault in chain_faults(entries, state):
        raise DamagedBackup(path=str(archive.path), problem=fault)
    if (state.sequence, state.hash) != (manifest.sequence, manifest.hash):
        raise DamagedBackup(path=str(archive.path), problem="its journal is not complete")


def _write(
    store: Store,
    connection: Connection,
    writer: ArchiveWriter,
    with_files: bool,
    progress: Progress,
) -> Manifest:
    tables = _tables(connection)
    for at, table in enumerate(tables):
        writer.add_table(table.name, table.columns.keys(), _rows(connection, table))
        progress(0.3 * (at + 1) / len(tables))
    missing = _write_files(store, connection, writer, progress) if with_files else []
    head = connection.execute(select(_named(tables, "chain_head"))).mappings().one()
    manifest = Manifest(
        layout=layout_of(connection) or "",
        version=__version__,
        made_utc=utc_text(store.clock()),
        sequence=int(head["sequence"]),
        hash=str(head["hash"]),
        tables=writer.tables,
        files=writer.files,
        missing=missing,
    )
    writer.add_manifest(manifest)
    return manifest


def _write_files(
    store: Store, connection: Connection, writer: ArchiveWriter, progress: Progress
) -> list[str]:
    rows = connection.execute(select(FILES.c.sha256, FILES.c.size_bytes)).all()
    missing = []
    for at, row in enumerate(rows):
        if not writer.add_file(store.files, KeptFile(str(row.sha256), int(row.size_bytes))):
            missing.append(str(row.sha256))
        progress(0.3 + 0.3 * (at + 1) / len(rows))
    return missing


def _tables(connection: Connection) -> list[Table]:
    """Return the tables there are, as they are, in an order in which references can be made."""
    found = MetaData()
    found.reflect(connection)
    return [table for table in found.sorted_tables if table.name not in _LEFT_OUT]


def _rows(connection: Connection, table: Table) -> Iterator[tuple[Any, ...]]:
    streaming = connection.execution_options(stream_results=True, yield_per=2_000)
    query = select(table).order_by(*table.primary_key.columns)
    for row in streaming.execute(query):
        yield tuple(row)


def _named(tables: list[Table], name: str) -> Table:
    return next(table for table in tables if table.name == name)


def _lost(manifest: Manifest) -> Iterator[str]:
    for sha256 in manifest.missing:
        yield f"file {sha256[:12]}… is missing or damaged"
