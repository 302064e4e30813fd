"""From a ``canals@1`` document to `Canal`, also from the contract keys alone."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.cautions import Caution, merged
from canalwright.errors import UnreadableFile
from canalwright.exchange.canals import CanalRecord, CanalsDocument
from canalwright.exchange.document import document_from_bytes, read_document
from canalwright.exchange.traces_in import diameters_mm, projected_cautions
from canalwright.geometry.frames import bishop_frame
from canalwright.geometry.sections import (
    DIRECTIONS,
    ellipse_radius_mm,
    equivalent_diameter_mm,
)

__all__ = [
    "SECTIONS_RECONSTRUCTED",
    "canal_from_record",
    "canals_from_bytes",
    "canals_from_document",
    "read_canals",
]

Floats = NDArray[np.float64]

SECTIONS_RECONSTRUCTED: Final = Caution(
    "SECTIONS_RECONSTRUCTED",
    "The sections of this canal were rebuilt from its widths as centered circles or ellipses, and "
    "dentin as equally thick all round: where the wide side and the thin side really lie is not "
    "known.",
    "project rule",
)

# Documents round to 0.1 µm; anything beyond this is not rounding.
_DIAMETER_SLACK_MM: Final = 0.005
_LENGTH_SLACK_MM: Final = 0.1
_LENGTH_SLACK_SHARE: Final = 0.02


def read_canals(path: str | Path) -> tuple[tuple[Canal, ...], CanalsDocument]:
    """Read canals and the document they stand in.

    Raises
    ------
    UnreadableFile
        If the document cannot be read or contradicts itself.
    """
    document = read_document(path, CanalsDocument)
    return canals_from_document(document, str(path)), document


def canals_from_bytes(content: bytes, name: str) -> tuple[tuple[Canal, ...], CanalsDocument]:
    """Return canals and their document from what is in memory; `name` is for messages.

    Raises
    ------
    UnreadableFile
        As of `read_canals`.
    """
    document = document_from_bytes(content, name, CanalsDocument)
    return canals_from_document(document, name), document


def canals_from_document(document: CanalsDocument, path: str) -> tuple[Canal, ...]:
    """Return every canal of a document; `path` is for messages."""
    shared = tuple(Caution(c.code, c.text, c.source) for c in document.cautions)
    return tuple(
        canal_from_record(record, f"{path}: canals[{at}]", document.invented).with_cautions(*shared)
        for at, record in enumerate(document.canals)
    )


def canal_from_record(record: CanalRecord, where: str, invented: bool = False) -> Canal:
    """Return the canal that a record describes.

    Parameters
    ----------
    record : CanalRecord
    where : str
        File and place of the record, for messages.
    invented : bool
        Whether the document says that its data are made up.

    Raises
    ------
    UnreadableFile
        If length, levels and centerline, or sections and diameters, contradict each other.
    """
    level = np.asarray(record.level_mm, float)
    centerline = np.asarray(record.centerline_mm, float)
    _check_length(record, level, centerline, where)
    radius = _sections(record, where)
    _check_diameters(record, radius, where)
    outer = _outer(record, radius, where)
    own = tuple(Caution(c.code, c.text, c.source) for c in record.cautions)
    if record.projection is not None:
        own = merged(own, projected_cautions(record))
    rebuilt = (SECTIONS_RECONSTRUCTED,) if record.section_radius_mm is None else ()
    return Canal(
        name=record.name,
        level_mm=level,
        centerline_mm=centerline,
        direction0=_direction0(record, centerline),
        radius_mm=radius,
        outer_radius_mm=outer,
        diameter_sd_mm=_deviations(record.diameter_sd_mm, len(level)),
        narrow_sd_mm=_deviations(record.narrow_sd_mm, len(level)),
        wide_sd_mm=_deviations(record.wide_sd_mm, len(level)),
        dentin_sd_mm=_deviations(record.dentin_min_sd_mm, len(level)),
        provenance=_provenance(record, invented),
        cautions=merged(own, rebuilt),
        estimated=None if record.estimated is None else np.asarray(record.estimated, bool),
    )


def _sections(record: CanalRecord, where: str) -> Floats:
    if record.section_radius_mm is not None:
        return _even_rows(record.section_radius_mm)
    if record.narrow_mm is not None and record.wide_mm is not None:
        return ellipse_radius_mm(np.asarray(record.wide_mm), np.asarray(record.narrow_mm))
    half = diameters_mm(record, where) / 2.0
    return np.repeat(half[:, None], DIRECTIONS, axis=1)


def _even_rows(rows: list[list[float]]) -> Floats:
    return np.asarray([_resampled(np.asarray(row, float)) for row in rows])


def _resampled(row: Floats) -> Floats:
    """Return a section in our number of directions, interpolated round the circle."""
    if len(row) == DIRECTIONS:
        return row
    angle = np.arange(len(row) + 1) / len(row)
    wanted = np.arange(DIRECTIONS) / DIRECTIONS
    return np.asarray(np.interp(wanted, angle, np.append(row, row[0])), float)


def _outer(record: CanalRecord, radius: Floats, where: str) -> Floats:
    if record.outer_radius_mm is not None:
        outer = _even_rows([_with_nan(row) for row in record.outer_radius_mm])
    elif record.dentin_min_mm is not None:
        outer = radius + np.asarray(_with_nan(record.dentin_min_mm), float)[:, None]
    else:
        outer = np.full_like(radius, np.nan)
    inside = np.argwhere(outer < radius - _DIAMETER_SLACK_MM)
    if len(inside):
        at, _ = inside[0]
        raise UnreadableFile(
            path=where, problem=f"the root surface lies inside the canal at level_mm[{at}]"
        )
    return outer


def _with_nan(values: list[float | None]) -> list[float]:
    return [np.nan if value is None else value for value in values]


def _deviations(values: list[float | None] | None, count: int) -> Floats:
    return np.asarray([np.nan] * count if values is None else _with_nan(values), float)


def _direction0(record: CanalRecord, centerline: Floats) -> Floats:
    if record.direction0 is None:
        return bishop_frame(centerline).direction0
    given = np.asarray(record.direction0, float)
    length = np.linalg.norm(given, axis=1, keepdims=True)
    return np.asarray(given / np.where(length > 0.0, length, 1.0), float)


def _provenance(record: CanalRecord, invented: bool) -> Provenance:
    origin = record.provenance
    spacing = origin.spacing_mm
    return Provenance(
        source=origin.source,
        digest=origin.sha256,
        methods=tuple(origin.methods),
        spacing_mm=(spacing[0], spacing[1], spacing[2]) if spacing else None,
        spacing_origin=origin.spacing_origin,
        invented=origin.invented or invented,
    )


def _check_length(record: CanalRecord, level: Floats, centerline: Floats, where: str) -> None:
    if record.length_mm is not None and abs(record.length_mm - level[-1]) > _LENGTH_SLACK_MM:
        raise UnreadableFile(
            path=where,
            problem=f"length_mm is {record.length_mm:g} but the last level_mm is {level[-1]:g}",
        )
    walked = float(np.linalg.norm(np.diff(centerline, axis=0), axis=1).sum())
    if abs(walked - level[-1]) > _LENGTH_SLACK_MM + _LENGTH_SLACK_SHARE * level[-1]:
        raise UnreadableFile(
            path=where,
            problem=f"centerline_mm is {walked:.2f} mm long but level_mm ends at {level[-1]:.2f}",
            hint="Levels are arc length along the centerline in mm.",
        )


def _check_diameters(record: CanalRecord, radius: Floats, where: str) -> None:
    if record.section_radius_mm is None:
        return
    gap = np.abs(equivalent_diameter_mm(radius) - np.asarray(record.diameter_mm, float))
    at = int(np.argmax(gap))
    if gap[at] > _DIAMETER_SLACK_MM:
        raise UnreadableFile(
            path=where,
            problem=(
                f"diameter_mm[{at}] is {record.diameter_mm[at]:g} but section_radius_mm[{at}] "
                f"gives {equivalent_diameter_mm(radius[at]):.4f}"
            ),
            hint="Remove section_radius_mm if the diameters were changed on purpose.",
        )
