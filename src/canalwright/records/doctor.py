"""`examine`: everything that can be checked about records, and clearing away of leftovers."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from sqlalchemy import func, select

from canalwright.records import database
from canalwright.records.access.audit import log_faults
from canalwright.records.migrating import layout_of
from canalwright.records.schema import CASES, FILES, JOURNAL
from canalwright.records.store import Reading, Store
from canalwright.records.verify import ChainState, examine_database, examine_files

__all__ = ["Examination", "examine", "sweep"]

Progress = Callable[[float], None]

_OLD_S: Final = 3600.0


@dataclass(frozen=True, slots=True)
class Examination:
    """What was found.

    Attributes
    ----------
    place, layout : str
    sequence, hash
        Head of the chain: note it elsewhere to be able to prove later that nothing before it was
        changed.
    cases, entries, files : int
        How many there are.
    faults : tuple of str
        Empty for sound records.
    notes : tuple of str
        What is no fault: a clock that was set back, leftovers of a process that died.
    orphans : tuple of str
        Digests of files that nothing refers to.
    """

    place: str
    layout: str
    sequence: int
    hash: str
    cases: int
    entries: int
    files: int
    faults: tuple[str, ...]
    notes: tuple[str, ...]
    orphans: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return not self.faults


def examine(
    store: Store,
    *,
    known_heads: dict[int, str] | None = None,
    progress: Progress = lambda _share: None,
) -> Examination:
    """Check chain, rows, words, references, layout, files and the log of accesses.

    Parameters
    ----------
    store : Store
    known_heads : dict, optional
        Hashes by sequence that were noted elsewhere.
    progress : callable
    """
    state = ChainState()
    with database.read(store.engine) as connection:
        faults = examine_database(connection, state, known_heads=known_heads)
        log = log_faults(Reading(connection, store.files))
        progress(0.5)
        file_faults, orphans = examine_files(
            connection, store.files, lambda share: progress(0.5 + 0.5 * share)
        )
        counts = [
            int(connection.execute(select(func.count()).select_from(table)).scalar_one())
            for table in (CASES, JOURNAL, FILES)
        ]
        layout = layout_of(connection) or ""
    return Examination(
        place=store.place,
        layout=layout,
        sequence=state.sequence,
        hash=state.hash,
        cases=counts[0],
        entries=counts[1],
        files=counts[2],
        faults=(*faults, *log, *file_faults),
        notes=tuple(_notes(store, state, orphans)),
        orphans=tuple(orphans),
    )


def sweep(store: Store, *, older_than_s: float = _OLD_S) -> int:
    """Remove files that nothing refers to and that no running import can still need.

    Parameters
    ----------
    store : Store
    older_than_s : float
        Younger files may belong to an import that has not recorded them yet.

    Returns
    -------
    int
        How many were removed.
    """
    limit = time.time() - older_than_s
    removed = 0
    # Holding the right to write, no other process can record one of them meanwhile.
    with database.write(store.engine) as connection:
        known = set(connection.execute(select(FILES.c.sha256)).scalars())
        orphans = [store.files.path(d) for d in store.files.digests() if d not in known]
        for path in (*orphans, *store.files.leftovers()):
            if path.stat().st_mtime <= limit:
                path.unlink(missing_ok=True)
                removed += 1
    return removed


def _notes(store: Store, state: ChainState, orphans: list[str]) -> list[str]:
    notes = []
    if state.set_back_count:
        notes.append(
            f"the clock was set back {state.set_back_count} times; the order of entries is that "
            "of writing and does not depend on it"
        )
    left = len(store.files.leftovers())
    if orphans or left:
        notes.append(
            f"{len(orphans) + left} files belong to nothing (an import that was cut off); "
            "remove them with: canalwright doctor --sweep"
        )
    return notes
