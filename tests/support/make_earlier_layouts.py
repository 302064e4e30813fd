"""Write the fixtures of earlier layouts: records as the program wrote them then.

Run once: ``python tests/support/make_earlier_layouts.py``. What a layout did not have is taken out
of rows and journal, and the chain is linked anew. Layout 0001 had no stock, no difficulty and no
words to search by; layout 0002 no users.
"""

from __future__ import annotations

import json
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from canalwright.records import Store
from canalwright.records.archive import ArchiveWriter, opened
from canalwright.records.backup import back_up
from canalwright.records.blobs import KeptFile
from canalwright.records.canonical import canonical_json
from canalwright.records.chain import GENESIS, Entry
from support.record_samples import record_everything
from support.record_stores import SteppingClock

FOLDER = Path(__file__).parents[1] / "unit/records/layouts"
SECOND = {
    "journal", "chain_head", "files", "cases", "teeth", "attachments", "documents", "instruments",
    "instrument_events", "visits", "visit_events", "recalls", "stock", "case_words",
}  # fmt: skip
LAYOUTS = {
    "0001": (SECOND - {"stock", "case_words"}, {"difficulty", "stock_id"}),
    "0002": (SECOND, set()),
}


def main() -> None:
    with tempfile.TemporaryDirectory() as room:
        FOLDER.mkdir(exist_ok=True)
        store = Store.open(Path(room) / "data", clock=SteppingClock())
        record_everything(store, Path(room), "C-FIRST")
        backup = back_up(store, Path(room) / "now")
        for layout in LAYOUTS:
            target = FOLDER / f"{layout}.canalwright-backup"
            target.unlink(missing_ok=True)
            with opened(backup.path) as archive, ArchiveWriter(target) as writer:
                rewrite(archive, writer, store.files, layout)
            writer.publish()


def rewrite(archive, writer, shelf, layout) -> None:
    manifest = archive.manifest
    tables, gone = LAYOUTS[layout]
    entries, numbers = old_journal(archive, tables, gone)
    head = entries[-1]
    for name, table in manifest.tables.items():
        if name not in tables:
            continue
        rows = [dict(zip(table.columns, row, strict=True)) for row in archive.rows(name)]
        if name not in ("journal", "chain_head"):
            rows = [renumbered(row, numbers) for row in rows]
        if name == "journal":
            rows = [entry.fields() for entry in entries]
        if name == "chain_head":
            rows = [{**rows[0], "sequence": head.sequence, "hash": head.hash}]
        columns = [column for column in table.columns if column not in gone]
        writer.add_table(name, columns, [[row[column] for column in columns] for row in rows])
    for sha256, size in manifest.files.items():
        writer.add_file(shelf, KeptFile(sha256, size))
    writer.add_manifest(
        replace(
            manifest,
            layout=layout,
            sequence=head.sequence,
            hash=head.hash,
            tables=writer.tables,
            files=writer.files,
        )
    )


def old_journal(archive, tables, gone) -> tuple[list[Entry], dict[int, int]]:
    columns = archive.manifest.tables["journal"].columns
    entries, numbers, previous = [], {}, GENESIS
    for row in archive.rows("journal"):
        entry = Entry(**dict(zip(columns, row, strict=True)))
        if entry.kind not in tables:
            continue
        numbers[entry.sequence] = len(entries) + 1
        content = {k: v for k, v in json.loads(entry.payload).items() if k not in gone}
        made = replace(
            entry,
            sequence=len(entries) + 1,
            payload=canonical_json(content),
            previous_hash=previous,
        ).linked()
        entries.append(made)
        previous = made.hash
    return entries, numbers


def renumbered(row, numbers):
    changed = {key: numbers[row[key]] for key in ("sequence", "touched_sequence") if row.get(key)}
    return {**row, **changed}


if __name__ == "__main__":
    main()
