"""``canalwright convert canals | referral``: what other programs made, taken in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalwright.cli.made_files import end_with
from canalwright.cli.options import JsonFile
from canalwright.cli.output import announce
from canalwright.cli.reading import read_numbers, split_names
from canalwright.cli.writing import check_targets, write_document
from canalwright.errors import MalformedText, UnknownName, UsageError

if TYPE_CHECKING:
    from canalwright.exchange.document import Document

__all__ = ["canals_in", "referral"]


def canals_in(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE",
            help="A centerline (CSV), a segmentation (NIfTI, NRRD, DICOM SEG), or a canals@1 or "
            "plan@1 document of another version.",
        ),
    ],
    json: JsonFile = None,
    part: Annotated[
        list[str] | None,
        typer.Option(metavar="PART=NAME", help="Which part of a segmentation is which canal."),
    ] = None,
    terminus: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=X,Y,Z", help="A point near the terminus of a segmented canal."),
    ] = None,
    orifice_first: Annotated[
        bool, typer.Option("--orifice-first", help="Rows of the CSV begin at the orifice.")
    ] = False,
) -> None:
    """Take in canals that another program made, or a document of another version."""
    if json is None:
        raise UsageError("Say where the result goes: --json canals.json, or --json - .")
    check_targets(json, inputs=(file,))
    document = _taken_in(file, part or [], terminus or [], orifice_first)
    write_document(document, json)
    end_with(document)


def referral(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A FHIR bundle or resource, JSON.")],
    json: JsonFile = None,
    subject: Annotated[
        str | None,
        typer.Option(metavar="PSEUDONYM", help="Pseudonym in place of the patient's name."),
    ] = None,
    release: Annotated[str, typer.Option(metavar="R4B|R5", help="Release of FHIR.")] = "R5",
) -> None:
    """Take tooth and diagnoses from a referral; name, dates and addresses are left behind."""
    from canalwright.exchange.fhir_in import read_intake
    from canalwright.exchange.fhir_out import RELEASES

    if release not in RELEASES:
        raise UnknownName(kind="release of FHIR", got=release, known=RELEASES)
    if json is None:
        raise UsageError("Say where the result goes: --json intake.json, or --json - .")
    check_targets(json, inputs=(file,))
    document = read_intake(file, subject=subject, release=release)
    write_document(document, json)
    if document.not_taken:
        announce(f"Not taken from the patient: {', '.join(document.not_taken)}.")
    end_with(document)


def _taken_in(file: Path, parts: list[str], termini: list[str], orifice_first: bool) -> Document:
    from canalwright.errors import UnreadableFile

    if not file.exists():
        raise UnreadableFile(path=str(file), problem="there is no such file")
    if file.suffix.lower() == ".json":
        from canalwright.exchange.older_documents import renewed_document

        return renewed_document(file)
    from canalwright.exchange.canals_out import canals_document

    if file.suffix.lower() == ".csv":
        from canalwright.exchange.centerline_csv import read_centerlines

        found = read_centerlines(file, orifice_first=orifice_first)
    else:
        from canalwright.exchange.segmentations_in import canals_of, read_segmentation

        found = canals_of(
            read_segmentation(file), names=_named_parts(parts), terminus_mm=_points(termini)
        )
    return canals_document(found, {"source": file.name})


def _named_parts(texts: list[str]) -> dict[str, str] | None:
    pairs = [text.partition("=") for text in split_names(texts)]
    if any(not (part and equals and name) for part, equals, name in pairs):
        raise MalformedText(name="--part", got=",".join(texts), expected="PART=NAME, such as 1=MB")
    return {part: name for part, _, name in pairs} or None


def _points(texts: list[str]) -> dict[str, tuple[float, float, float]]:
    points = {}
    for text in texts:
        name, _, numbers = text.partition("=")
        x, y, z = read_numbers(numbers, name="--terminus", count=3, example="10.4,-9.2,19.0")
        points[name] = (x, y, z)
    return points
