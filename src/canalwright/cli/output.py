"""What people see: tables on standard output; progress and cautions on standard error."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from canalwright.cautions import CLINICAL_CAUTIONS, CLINICAL_IN_SHORT, Caution, labelled

if TYPE_CHECKING:
    from rich.table import Table

    from canalwright.reports.tables import TextTable

__all__ = [
    "PROGRESS_VARIABLE",
    "Progress",
    "announce",
    "invented_notice",
    "labelled",
    "print_cautions",
    "print_table",
    "print_text",
    "progress_bar",
    "table",
    "text_table",
]

Progress = Callable[[float], None]

PROGRESS_VARIABLE = "CANALWRIGHT_PROGRESS"

# Tables keep their columns when they go into a file or through a pipe.
_WIDTH_WITHOUT_TERMINAL = 120


def table(title: str, columns: Sequence[tuple[str, str]], rows: Iterable[Sequence[str]]) -> Table:
    """Return a table.

    Parameters
    ----------
    title : str
    columns : sequence of (header, kind)
        Units stand in the header. Kinds: ``"left"`` and ``"right"`` aligned, and ``"text"`` that
        may be wrapped.
    rows : iterable of sequences of str
    """
    from rich import box
    from rich.table import Table

    made = Table(
        title=title,
        title_justify="left",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    for header, kind in columns:
        made.add_column(header, justify="right" if kind == "right" else "left")
        made.columns[-1].no_wrap = kind == "left"
    for row in rows:
        made.add_row(*row)
    return made


def text_table(content: TextTable) -> Table:
    """Return a table of text for printing."""
    return table(content.title, content.columns, content.rows)


def print_table(made: Table) -> None:
    """Print a table on standard output."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else _WIDTH_WITHOUT_TERMINAL
    Console(width=width, highlight=False, markup=False, emoji=False).print(made)


def print_text(text: str) -> None:
    """Print one paragraph on standard output."""
    print(text)  # noqa: T201


def announce(text: str) -> None:
    """Say something on standard error, so that standard output stays data."""
    print(text, file=sys.stderr)  # noqa: T201


def invented_notice(invented: bool) -> None:
    """Mark results that rest on made-up data."""
    if invented:
        announce("INVENTED DATA: this comes from a phantom or a teaching scenario, not a patient.")


def print_cautions(cautions: Iterable[Caution]) -> None:
    """Print cautions at the end, on standard error, with the clinical ones in short."""
    announce("Cautions")
    shown = [caution for caution in dict.fromkeys(cautions) if caution not in CLINICAL_CAUTIONS]
    for caution in shown:
        source = f" [{caution.source}]" if caution.source else ""
        announce(f"  {caution.code}: {caution.text}{source}")
    announce(f"  {CLINICAL_IN_SHORT}")


@contextmanager
def progress_bar(text: str) -> Iterator[Progress]:
    """Show a bar on standard error while something is computed.

    Yields
    ------
    callable
        To be called with the share done, 0 to 1. Without a terminal nothing is drawn; with
        ``CANALWRIGHT_PROGRESS=lines`` in the environment, lines for another program are written.
    """
    if os.environ.get(PROGRESS_VARIABLE) == "lines":
        yield lambda share: announce(f"progress {share:.3f} {text}")
        return
    if not sys.stderr.isatty():
        yield lambda _share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(text, total=1.0)
        yield lambda share: bar.update(task, completed=min(max(share, 0.0), 1.0))
