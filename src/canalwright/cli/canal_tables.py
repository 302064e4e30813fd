"""Measured canals as tables for people."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from canalwright.cli.output import print_table, text_table

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal

__all__ = ["print_canals"]


def print_canals(canals: Iterable[Canal]) -> None:
    """Print every canal level by level, and its curvature."""
    from canalwright.reports.tables import curvature_table, levels_table

    for canal in canals:
        print_table(text_table(levels_table(canal)))
        print_table(text_table(curvature_table(canal)))
