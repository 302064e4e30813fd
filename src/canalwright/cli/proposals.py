"""Canals proposed for confirmation: the list, its document and its pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canalwright.cautions import merged
from canalwright.cli.output import (
    announce,
    invented_notice,
    print_cautions,
    print_table,
    print_text,
    progress_bar,
    table,
)
from canalwright.cli.reading import ClickedCanal, read_numbers
from canalwright.errors import MalformedText, UsageError

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.exchange.files import StagedFiles
    from canalwright.imaging.propose import Proposal
    from canalwright.imaging.scan import Scan

__all__ = ["ProposeOptions", "accepted", "clicks_from", "proposed", "report_proposals"]

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class ProposeOptions:
    """How canals are looked for, as text from the command line.

    Attributes
    ----------
    propose : bool
    tooth_at, tooth_box : str or None
        A point in the tooth, ``x,y,z``; two corners of a box, ``x,y,z:x,y,z``.
    minimum_confidence : float or None
    accept : bool
        Whether to measure what is proposed at once.
    """

    propose: bool
    tooth_at: str | None
    tooth_box: str | None
    minimum_confidence: float | None
    accept: bool

    def require_fitting(self, canals: Sequence[str]) -> None:
        """Refuse options that do not go together.

        Raises
        ------
        UsageError
        """
        if self.propose and canals:
            raise UsageError("Give either --propose or --canal, not both.")
        if self.propose:
            # A point that cannot be read is refused before the scan is.
            _ = self.seed_mm, self.box_mm
            return
        given = {
            "--tooth-at": self.tooth_at is not None,
            "--tooth-box": self.tooth_box is not None,
            "--minimum-confidence": self.minimum_confidence is not None,
            "--accept": self.accept,
        }
        for option, present in given.items():
            if present:
                raise UsageError(f"{option} belongs to --propose; give --propose too.")

    @property
    def seed_mm(self) -> Point | None:
        """The point in the tooth."""
        return None if self.tooth_at is None else _point(self.tooth_at, "--tooth-at")

    @property
    def box_mm(self) -> tuple[Point, Point] | None:
        """The box round the tooth."""
        if self.tooth_box is None:
            return None
        first, colon, second = self.tooth_box.partition(":")
        if not colon or ":" in second:
            raise MalformedText(
                name="--tooth-box",
                got=self.tooth_box,
                expected="x,y,z:x,y,z (two opposite corners, in mm)",
            )
        return _point(first, "--tooth-box"), _point(second, "--tooth-box")


def _point(text: str, name: str) -> Point:
    x, y, z = read_numbers(text, name=name, count=3, example="12.1,-8.0,30.5")
    return x, y, z


def proposed(image: Scan, options: ProposeOptions) -> tuple[Proposal, ...]:
    """Look for canals, with a progress bar."""
    from canalwright.imaging.propose import DEFAULT_MINIMUM_CONFIDENCE, propose_canals

    least = options.minimum_confidence
    with progress_bar("Looking for canals") as progress:
        return propose_canals(
            image,
            seed_mm=options.seed_mm,
            box_mm=options.box_mm,
            minimum_confidence=DEFAULT_MINIMUM_CONFIDENCE if least is None else least,
            progress=lambda _step, share: progress(share),
        )


def clicks_from(proposals: Sequence[Proposal]) -> tuple[ClickedCanal, ...]:
    """Return the points of proposals as if they had been pointed out."""
    return tuple(ClickedCanal(one.name, one.orifice_mm, one.terminus_mm) for one in proposals)


def accepted(canals: Sequence[Canal], proposals: Sequence[Proposal]) -> tuple[Canal, ...]:
    """Return measured canals with the cautions of the proposals they rest on."""
    cautions = {one.name: one.cautions for one in proposals}
    return tuple(canal.with_cautions(*cautions[canal.name]) for canal in canals)


def report_proposals(
    image: Scan,
    proposals: Sequence[Proposal],
    options: ProposeOptions,
    json: str | None,
    figures: Path | None,
) -> None:
    """Write the document and the pictures, and print what to do with the proposals."""
    _write(image, proposals, options, json, figures)
    if json != "-":
        _print(proposals)
    invented_notice(image.invented)
    print_cautions(merged(image.cautions, *(one.cautions for one in proposals)))


def _print(proposals: Sequence[Proposal]) -> None:
    columns = (
        ("canal", "left"),
        ("orifice mm", "left"),
        ("terminus mm", "left"),
        ("about mm", "right"),
        ("confidence", "right"),
        ("seen", "right"),
        ("closed", "right"),
        ("long", "right"),
        ("reaches", "right"),
        ("joins", "left"),
    )
    print_table(table("Proposed canals, not confirmed", columns, [_row(one) for one in proposals]))
    print_text("Look at the pictures (--figures DIR), correct the points, and measure with:")
    for one in proposals:
        print_text(f"  --canal {one.name}={_text(one.orifice_mm)}:{_text(one.terminus_mm)}")


def _row(one: Proposal) -> tuple[str, ...]:
    parts = one.confidence
    numbers = (parts.total, parts.seen, parts.closed, parts.long, parts.reaches)
    joins = f"{one.joins} at level {one.joins_at_mm:.1f}" if one.joins else ""
    return (
        one.name,
        _text(one.orifice_mm),
        _text(one.terminus_mm),
        f"{one.length_mm:.1f}",
        *(f"{number:.2f}" for number in numbers),
        joins,
    )


def _text(point_mm: Point) -> str:
    return ",".join(f"{c:g}" for c in point_mm)


def _write(
    image: Scan,
    proposals: Sequence[Proposal],
    options: ProposeOptions,
    json: str | None,
    figures: Path | None,
) -> None:
    from canalwright.exchange.document import document_text
    from canalwright.exchange.files import StagedFiles
    from canalwright.exchange.proposals import proposals_document

    with StagedFiles() as staged:
        if figures is not None:
            with progress_bar("Drawing figures"):
                _stage_figures(staged, image, proposals, figures)
        if json is not None:
            document = proposals_document(
                proposals, _inputs(image, options), image.cautions, invented=image.invented
            )
            staged.write_text(json, document_text(document))
    for target in (json, figures):
        if target not in (None, "-"):
            announce(f"wrote {target}")


def _inputs(image: Scan, options: ProposeOptions) -> dict[str, Any]:
    from canalwright.exchange.inputs import scan_input
    from canalwright.imaging.propose import DEFAULT_MINIMUM_CONFIDENCE

    least = options.minimum_confidence
    inputs: dict[str, Any] = {
        "scan": scan_input(image),
        "minimum_confidence": DEFAULT_MINIMUM_CONFIDENCE if least is None else least,
    }
    if options.seed_mm is not None:
        inputs["tooth_at_mm"] = list(options.seed_mm)
    if options.box_mm is not None:
        inputs["tooth_box_mm"] = [list(corner) for corner in options.box_mm]
    return inputs


def _stage_figures(
    staged: StagedFiles, image: Scan, proposals: Sequence[Proposal], folder: Path
) -> None:
    from canalwright.cli.pictures import stage_figure
    from canalwright.reports.proposal_figure import proposal_figure

    for one in proposals:
        stage_figure(staged, proposal_figure(image, one), folder, f"proposal-{one.name}")
