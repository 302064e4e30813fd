"""The commands about kept records, for the table of commands."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from canalwright.cli.cases import cases
from canalwright.cli.keeping import backup, doctor, restore
from canalwright.cli.lives import lives, stock
from canalwright.cli.statistics import stats
from canalwright.cli.transfer import export, import_cases
from canalwright.cli.visits import recall, visits

__all__ = ["RECORD_COMMANDS", "RECORD_GROUPS"]

RECORD_GROUPS = (
    (cases, "cases", "Cases: new, list, search, show, attach"),
    (visits, "visits", "Visits: start, log, close, amend"),
    (lives, "lives", "Physical instruments: uses, life used, discard"),
    (stock, "stock", "Deliveries and what is left"),
)
"""Group, name, one line for the list."""

RECORD_COMMANDS: Final[tuple[tuple[Callable[..., None], str, str, str], ...]] = (
    (
        recall,
        "recall",
        "Findings at a recall",
        "canalwright recall C-7F3K-9QMT --tooth 36 --periapical-index 2 --outcome healing",
    ),
    (
        stats,
        "stats",
        "Times, mishaps, survival, outcomes",
        "canalwright stats --by difficulty --csv tables --figures figures",
    ),
    (doctor, "doctor", "Check the records", "canalwright doctor"),
    (backup, "backup", "Back up the records", "canalwright backup weekly.canalwright-backup"),
    (
        restore,
        "restore",
        "Restore a backup into a new place",
        "canalwright restore weekly.canalwright-backup --into restored",
    ),
    (
        export,
        "export",
        "A case as a folder for anybody",
        "canalwright export C-7F3K-9QMT --out case-folder",
    ),
    (
        import_cases,
        "import",
        "Take in exported cases",
        "canalwright import case-folder --dry-run",
    ),
)
"""Command, name, one line for the list, example."""
