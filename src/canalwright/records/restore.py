"""Restoring: into a new place, checked there, and only then put where it is wanted."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, MetaData, delete, insert

from canalwright.records import database
from canalwright.records.archive import ArchiveReader, Manifest, opened
from canalwright.records.blobs import FileShelf, flush_folder, remove_folder
from canalwright.records.errors import DamagedRecords, StoreUnavailable, WrongSchema
from canalwright.records.migrating import REVISIONS, layout_of, migrate_connection
from canalwright.records.verify import ChainState, examine_database, examine_files

__all__ = ["insert_tables", "restore"]

Progress = Callable[[float], None]

_BATCH: Final = 2_000


def restore(
    backup: Path,
    folder: Path,
    url: str | None = None,
    *,
    passphrase: str = "",
    progress: Progress = lambda _share: None,
) -> Manifest:
    """Restore a backup into a place that holds no records, and check everything there.

    A backup of an older layout is brought up to date. A backup from SQLite can be restored into
    PostgreSQL and the reverse.

    Parameters
    ----------
    backup : Path
    folder : Path
        Must not exist, or be empty; appears when everything in it has been checked.
    url : str, optional
        PostgreSQL database without records; filled in one transaction.
    passphrase : str
    progress : callable

    Raises
    ------
    StoreUnavailable
        If there is something in the place already, or it cannot be written.
    DamagedBackup, WrongPassphrase
        If the backup cannot be trusted or opened.
    WrongSchema
        If a newer program wrote it.
    """
    _check_empty(folder)
    with opened(backup, passphrase) as archive:
        manifest = archive.manifest
        if manifest.layout not in REVISIONS:
            raise WrongSchema(
                place=str(backup), found=manifest.layout, known=", ".join(REVISIONS),
                hint="Restore it with the newer version of this program that wrote it.",
            )  # fmt: skip
        try:
            staged = folder.with_name(f".{folder.name}.restoring-{secrets.token_hex(6)}")
            staged.mkdir(parents=True)
        except OSError as error:
            raise StoreUnavailable(
                place=str(folder), problem=f"cannot be made ({error.strerror})"
            ) from None
        try:
            _fill(archive, staged, url, progress)
            _put_in_place(staged, folder)
        except BaseException:
            remove_folder(staged)
            raise
    progress(1.0)
    return manifest


def _check_empty(folder: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StoreUnavailable(
            place=str(folder),
            problem="there is something in it already",
            hint="Restore into a new folder, look at it, then use it with --data.",
        )


def _fill(archive: ArchiveReader, staged: Path, url: str | None, progress: Progress) -> None:
    shelf = FileShelf(staged / "files")
    for at, sha256 in enumerate(archive.manifest.files):
        archive.copy_file(sha256, shelf)
        progress(0.5 * (at + 1) / len(archive.manifest.files))
    engine = database.engine_at(staged, url)
    try:
        with database.write(engine) as connection:
            if layout_of(connection) is not None:
                raise StoreUnavailable(
                    place=database.shown(engine), problem="there are records in it already",
                    hint="Make an empty database and restore into that.",
                )  # fmt: skip
            migrate_connection(connection, archive.manifest.layout)
            insert_tables(archive, connection)
            migrate_connection(connection)
            progress(0.8)
            _check(archive, connection, shelf)
    finally:
        engine.dispose()


def insert_tables(archive: ArchiveReader, connection: Connection) -> None:
    """Fill the tables of a database that has the backup's layout."""
    found = MetaData()
    found.reflect(connection)
    tables = [table for table in found.sorted_tables if table.name in archive.manifest.tables]
    for table in reversed(tables):
        connection.execute(delete(table))
    for table in tables:
        columns, rows = archive.manifest.tables[table.name].columns, archive.rows(table.name)
        while batch := list(islice(rows, _BATCH)):
            values = [dict(zip(columns, row, strict=True)) for row in batch]
            connection.execute(insert(table), values)


def _check(archive: ArchiveReader, connection: Connection, shelf: FileShelf) -> None:
    state = ChainState()
    faults = examine_database(connection, state)
    absent, _ = examine_files(connection, shelf)
    if not archive.manifest.missing and not _without_files(archive.manifest):
        faults += absent
    if (state.sequence, state.hash) != (archive.manifest.sequence, archive.manifest.hash):
        faults.append("the journal does not end where the backup's did")
    if faults:
        raise DamagedRecords(place=str(archive.path), faults=tuple(faults))


def _without_files(manifest: Manifest) -> bool:
    return not manifest.files and manifest.tables["files"].rows > 0


def _put_in_place(staged: Path, folder: Path) -> None:
    if folder.exists():
        folder.rmdir()
    staged.replace(folder)
    flush_folder(folder.parent)
