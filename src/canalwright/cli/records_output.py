"""Answers about records on the screen and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from canalwright.cautions import Caution
from canalwright.cli.output import announce, print_table, print_text, table
from canalwright.cli.writing import check_targets

__all__ = ["answer", "cell", "counted", "print_rows", "short_cautions"]


def answer(
    target: str | None,
    kind: str,
    content: Mapping[str, Any],
    lines: Iterable[str] = (),
    *,
    cautions: Iterable[Caution] = (),
    invented: bool = False,
    inputs: Mapping[str, Any] | None = None,
) -> bool:
    """Write the answer as JSON if asked to, and print lines unless standard output is data.

    Returns
    -------
    bool
        Whether tables may be printed on standard output.
    """
    from canalwright.exchange.files import STDOUT, StagedFiles
    from canalwright.exchange.records import records_text

    if target is not None:
        check_targets(target)
        with StagedFiles() as staged:
            text = records_text(kind, content, cautions=cautions, invented=invented, inputs=inputs)
            staged.write_text(target, text)
        if target != STDOUT:
            announce(f"wrote {target}")
    if target == STDOUT:
        return False
    for line in lines:
        print_text(line)
    return True


def print_rows(
    title: str, columns: Sequence[tuple[str, str]], rows: Iterable[Sequence[Any]], *, empty: str
) -> None:
    """Print a table of records, or one line if there are none."""
    listed = [[cell(value) for value in row] for row in rows]
    if listed:
        print_table(table(title, columns, listed))
    else:
        print_text(empty)


def cell(value: Any) -> str:
    """Return a value for a table; numbers with at most three digits behind the point."""
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.3f}".rstrip("0").rstrip(".")
    return str(value)


def counted(count: int, noun: str) -> str:
    """Return a number with its noun: ``1 visit``, ``2 visits``."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def short_cautions(cautions: Iterable[Caution]) -> None:
    """Print cautions on standard error."""
    from canalwright.cli.output import print_cautions

    print_cautions(tuple(cautions))
