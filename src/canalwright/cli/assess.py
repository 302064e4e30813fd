"""``canalwright assess``: case difficulty by a published form."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.options import JsonFile
from canalwright.cli.output import invented_notice, print_cautions
from canalwright.cli.writing import check_targets, write_document

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal

__all__ = ["assess"]


def assess(
    canals: Annotated[
        Path | None,
        typer.Option(metavar="CANALS", help="A canals@1 document: curvature and apex are rated."),
    ] = None,
    tooth: Annotated[
        str | None,
        typer.Option(metavar="NUMBER", help="Two digits (36), or Universal with a sign (#19)."),
    ] = None,
    factor: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=RATING",
            help="low, moderate, high, or a number in the factor's unit; may be repeated. Names: "
            "curvature, apex, inclination, visibility, length, position, form, resorption, "
            "history, patient.",
        ),
    ] = None,
    json: JsonFile = None,
) -> None:
    """Rate the difficulty of a case; factors nobody rated leave the class a lower bound."""
    from canalwright.cli.visit_options import factors_of
    from canalwright.cli.visit_tables import print_assessment
    from canalwright.exchange.assessments import assessment_document
    from canalwright.exchange.canals_in import read_canals
    from canalwright.exchange.inputs import file_digest
    from canalwright.exchange.visits_in import rated_factor
    from canalwright.planning.clinical.case_rating import case_assessment, case_cautions
    from canalwright.planning.clinical.teeth import parse_tooth

    check_targets(json, inputs=() if canals is None else (canals,))
    measured: tuple[Canal, ...] = () if canals is None else read_canals(canals)[0]
    found = case_assessment(
        measured,
        tooth=None if tooth is None else parse_tooth(tooth),
        rated=tuple(rated_factor(key, value) for key, value in factors_of(factor).items()),
    )
    invented = any(canal.provenance.invented for canal in measured)
    cautions = case_cautions(found)
    if json is not None:
        inputs = {} if canals is None else {"canals": str(canals), "sha256": file_digest(canals)}
        write_document(
            assessment_document(found, tooth or "", inputs, cautions, invented=invented), json
        )
    if json != "-":
        print_assessment(found)
    invented_notice(invented)
    print_cautions(cautions)
