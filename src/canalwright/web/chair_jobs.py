"""Work for the chair, done in a process of its own: a visit worked out, and its prints."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.exchange.visit_entries import VisitEntries
    from canalwright.instruments.instrument import Instrument
    from canalwright.planning.clinical.visit import Visit

__all__ = ["printed", "worked_out_visit"]


def worked_out_visit(
    entries: VisitEntries, canals: dict[str, Canal], own: tuple[Instrument, ...]
) -> Visit:
    """Work out what was entered; `own` are instruments besides the standard ones."""
    from canalwright.exchange.visits_in import visit_plan_of
    from canalwright.planning.clinical.visit import worked_out

    return worked_out(visit_plan_of(entries, canals, own))


def printed(visit: Visit, digests: dict[str, str], page: str) -> bytes:
    """Return a print: ``sheet``, ``record`` or ``patient``."""
    from canalwright.reports.chairside_data import ChairsideInputs
    from canalwright.reports.chairside_pdf import visit_pages

    return visit_pages(ChairsideInputs(visit, inputs=digests), page)[0]
