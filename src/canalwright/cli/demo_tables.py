"""What was found against the known truth, as a table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from canalwright.cli.output import print_table, table

if TYPE_CHECKING:
    from rich.table import Table

    from canalwright.anatomy.canal import Canal
    from canalwright.imaging.against_truth import TruthRow

__all__ = ["print_truth"]


def print_truth(truth: Mapping[str, Canal], canals: tuple[Canal, ...]) -> None:
    """Print every canal against the truth of the phantom."""
    from canalwright.imaging.against_truth import against_truth

    for canal in canals:
        print_table(_truth_table(canal.name, against_truth(canal, truth[canal.name])))


def _truth_table(name: str, rows: tuple[TruthRow, ...]) -> Table:
    from canalwright.reports.text import format_number

    def digits(row: TruthRow) -> int:
        return {"mm": 3, "°": 1, "1/mm": 3}[row.unit]

    columns = (
        ("quantity", "left"),
        ("level mm", "right"),
        ("found", "right"),
        ("truth", "right"),
        ("difference", "right"),
        ("stated SD", "right"),
        ("unit", "left"),
    )
    cells = [
        (
            row.quantity,
            format_number(row.level_mm, 0),
            format_number(row.found, digits(row)),
            format_number(row.true, digits(row)),
            format_number(row.difference, digits(row)),
            format_number(row.sd, digits(row)),
            row.unit,
        )
        for row in rows
    ]
    return table(f"INVENTED DATA: {name}, found against the known truth", columns, cells)
