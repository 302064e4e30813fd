"""A process that works on records until it is killed, and says what was acknowledged.

Usage: ``python record_worker.py JOB DATA URL ROOM``; every line on standard output is one
acknowledged piece of work.
"""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

from canalwright.records import Store
from canalwright.records.backup import back_up
from canalwright.records.case_import import import_case, read_case_folder
from canalwright.records.cases import add_tooth, create_case
from canalwright.records.documents import add_document
from canalwright.records.nouns import EventKind
from canalwright.records.visits import log_event, start_visit


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def write(store: Store, room: Path) -> None:
    for number in itertools.count():
        with store.writing("worker") as writing:
            case = create_case(writing, label=f"case {number}", teeth=["36"])
            text = f'{{"schema": "canalwright/canals@1", "n": "{case.id}"}}'
            document = add_document(writing, text.encode(), name="c.json", case_id=case.id)
            visit = start_visit(writing, case.id, tooth="36")
            event = log_event(writing, visit.id, EventKind.NOTE, note="x")
            add_tooth(writing, case.id, "37")
        say(f"{case.id} {document.sha256} {event.id}")


def take_in(store: Store, room: Path) -> None:
    for folder in sorted((room / "exports").iterdir()):
        incoming = read_case_folder(folder)
        import_case(store, incoming, actor="worker")
        document = incoming.export.of("documents")[0]
        say(f"{incoming.export.case.id} {document.sha256} {incoming.export.of('visits')[0].id}")
    say("done")


def save(store: Store, room: Path) -> None:
    for number in itertools.count():
        target = room / "backups" / f"{number}-{id(store)}.backup"
        back_up(store, target)
        say(str(target))


def main() -> None:
    job, data, url, room = sys.argv[1:]
    if job == "migrate":
        Store.open(data, url or None, migrate=True).close()
        say("done")
        return
    store = Store.open(data, url or None)
    say("ready")
    {"write": write, "import": take_in, "backup": save}[job](store, Path(room))


if __name__ == "__main__":
    main()
