"""``canalwright doctor``, ``backup``, ``restore``: keeping records safe."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from canalwright.cli.options import JsonFile
from canalwright.cli.output import announce, progress_bar
from canalwright.cli.records_options import (
    PASSPHRASE_VARIABLE,
    DatabaseUrl,
    DataFolder,
    database_url,
    opened,
    passphrase_from,
)
from canalwright.cli.records_output import answer
from canalwright.errors import MalformedText, UsageError

__all__ = ["backup", "doctor", "restore"]

PassphraseFile = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help=f"File that holds the passphrase; else {PASSPHRASE_VARIABLE}, else it is asked for.",
    ),
]


def doctor(
    sweep: Annotated[
        bool,
        typer.Option("--sweep", help="Remove files of imports that were cut off over an hour ago."),
    ] = False,
    migrate: Annotated[
        bool,
        typer.Option("--migrate", help="Bring an older layout up to date, after a backup."),
    ] = False,
    head: Annotated[
        list[str] | None,
        typer.Option(
            metavar="N:HASH",
            help="A number and hash that doctor or backup printed before: nothing up to it may "
            "have changed. May be repeated.",
        ),
    ] = None,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Check the records: history, current state, references, layout, files. Exit 3 at a fault."""
    from canalwright.records.doctor import examine
    from canalwright.records.doctor import sweep as sweep_files
    from canalwright.records.errors import DamagedRecords

    heads = dict(_head(text) for text in head or ())
    with opened(data, database, migrate=True if migrate else None) as store:
        removed = sweep_files(store) if sweep else 0
        with progress_bar("examining the records") as progress:
            found = examine(store, known_heads=heads, progress=progress)
    lines = [
        f"{found.place}: layout {found.layout}, {found.cases} cases, {found.files} files",
        f"history of {found.entries} entries, head {found.sequence}:{found.hash}",
        *(f"note: {note}" for note in found.notes),
        *(f"FAULT: {fault}" for fault in found.faults),
    ]
    if sweep:
        lines.append(f"{removed} leftover files removed")
    if found.sound:
        lines.append("The records are sound. Note the head to prove later that nothing changed.")
    answer(json, "doctor", {**asdict(found), "sound": found.sound, "removed": removed}, lines)
    if not found.sound:
        raise DamagedRecords(place=found.place, faults=found.faults)


def backup(
    to: Annotated[
        Path | None,
        typer.Argument(
            metavar="[FILE]", help="New file; made up in DIR/backups of the records if left out."
        ),
    ] = None,
    encrypt: Annotated[
        bool, typer.Option("--encrypt", help="Under a passphrase, without which nobody opens it.")
    ] = False,
    passphrase_file: PassphraseFile = None,
    even_damaged: Annotated[
        bool,
        typer.Option("--even-damaged", help="Save what is left where kept files are missing."),
    ] = False,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Back up everything while others may go on working; the backup is read back and checked."""
    from canalwright.records.backup import back_up, backup_name

    secret = passphrase_from(passphrase_file, encrypted=encrypt, twice=True)
    with opened(data, database) as store:
        target = to or store.folder / "backups" / backup_name(store)
        with progress_bar("backing up") as progress:
            made = back_up(
                store, target, passphrase=secret, allow_damage=even_damaged, progress=progress
            )
    one = made.manifest
    size = made.path.stat().st_size
    content = {
        "path": str(made.path), "size_bytes": size, "encrypted": made.encrypted,
        "layout": one.layout, "sequence": one.sequence, "hash": one.hash,
        "files": len(one.files), "missing": one.missing,
    }  # fmt: skip
    lines = [
        f"{made.path}: {size} bytes, {len(one.files)} files, checked",
        f"head {one.sequence}:{one.hash}",
    ]
    answer(json, "backup-made", content, lines)
    if one.missing:
        announce(f"{len(one.missing)} files were missing or damaged and are not in it")


def restore(
    backup_file: Annotated[Path, typer.Argument(metavar="BACKUP", help="What 'backup' wrote.")],
    into: Annotated[
        Path, typer.Option(metavar="DIR", help="A new folder; use it afterwards with --data.")
    ],
    passphrase_file: PassphraseFile = None,
    database: Annotated[
        str | None,
        typer.Option(
            metavar="URL", help="An empty PostgreSQL database; without it SQLite in the folder."
        ),
    ] = None,
    json: JsonFile = None,
) -> None:
    """Restore a backup into a new place and check everything there; nothing is replaced."""
    from canalwright.records.encryption import is_encrypted
    from canalwright.records.restore import restore as restore_into

    if not backup_file.is_file():
        raise UsageError(f"{backup_file}: there is no such backup.")
    secret = passphrase_from(passphrase_file, encrypted=is_encrypted(backup_file), twice=False)
    with progress_bar("restoring") as progress:
        manifest = restore_into(
            backup_file, into, database_url(database), passphrase=secret, progress=progress
        )
    content = {
        "path": str(into), "layout": manifest.layout, "made_utc": manifest.made_utc,
        "sequence": manifest.sequence, "hash": manifest.hash, "files": len(manifest.files),
    }  # fmt: skip
    lines = [
        f"restored the state of {manifest.made_utc[:16]} UTC into {into}, checked",
        f"use it with: canalwright cases list --data {into}",
    ]
    answer(json, "restored", content, lines)


def _head(text: str) -> tuple[int, str]:
    number, _, digest = text.partition(":")
    if not number.isdigit() or len(digest) != 64:
        raise MalformedText(
            name="--head", got=text[:40], expected="a number, a colon and 64 digits, as printed"
        )
    return int(number), digest
