"""From `Canal` to a ``canals@1`` document."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.anatomy.curvature import CurvatureSummary, summarize_curvature
from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.exchange.canals import (
    CanalRecord,
    CanalsDocument,
    CurvatureRecord,
    JoinRecord,
    ProvenanceRecord,
)
from canalwright.exchange.document import caution_records, header
from canalwright.exchange.numbers import (
    SPACING_DECIMALS,
    number,
    number_list,
    optional_list,
    row_list,
)
from canalwright.imaging.joins import Join, joins_of

__all__ = ["canal_record", "canals_document", "curvature_record", "provenance_record"]

_UNIT_VECTOR_DECIMALS = 6


def canals_document(
    canals: Iterable[Canal],
    inputs: Mapping[str, Any],
    cautions: Iterable[Caution] = (),
) -> CanalsDocument:
    """Return canals as a document.

    Parameters
    ----------
    canals : iterable of Canal
        At least one, with different names.
    inputs : dict
        What they were computed from.
    cautions : iterable of Caution
        Those that hold for all canals; each canal keeps its own.
    """
    listed = tuple(canals)
    return CanalsDocument(
        **header(CanalsDocument),
        invented=any(canal.provenance.invented for canal in listed),
        inputs=dict(inputs),
        canals=[canal_record(canal, listed) for canal in listed],
        cautions=caution_records(merged(cautions, CLINICAL_CAUTIONS)),
    )


def canal_record(canal: Canal, beside: Sequence[Canal] = ()) -> CanalRecord:
    """Return one canal as a record, with what it shares with the canals beside it."""
    level = number_list(canal.level_mm)
    curvature = summarize_curvature(canal)
    return CanalRecord(
        name=canal.name,
        length_mm=level[-1],
        level_mm=level,
        centerline_mm=[number_list(point) for point in canal.centerline_mm],
        diameter_mm=[*number_list(canal.diameter_mm)],
        diameter_sd_mm=optional_list(canal.diameter_sd_mm),
        narrow_mm=number_list(canal.narrow_mm),
        wide_mm=number_list(canal.wide_mm),
        dentin_min_mm=optional_list(canal.dentin_min_mm),
        curvature=curvature_record(curvature),
        narrow_sd_mm=optional_list(canal.narrow_sd_mm),
        wide_sd_mm=optional_list(canal.wide_sd_mm),
        dentin_min_sd_mm=optional_list(canal.dentin_sd_mm),
        direction0=[number_list(axis, _UNIT_VECTOR_DECIMALS) for axis in canal.direction0],
        section_radius_mm=[number_list(row) for row in canal.radius_mm],
        outer_radius_mm=row_list(canal.outer_radius_mm),
        estimated=None if canal.estimated is None else canal.estimated.tolist(),
        provenance=provenance_record(canal.provenance),
        joins=[_join_record(join) for join in joins_of(canal, beside)],
        cautions=caution_records(merged(canal.cautions, curvature.cautions)),
    )


def _join_record(join: Join) -> JoinRecord:
    level, low, high = number_list((join.level_mm, join.low_mm, join.high_mm))
    return JoinRecord(
        canal=join.other, level_mm=level, from_level_mm=low, to_level_mm=high, where=join.where
    )


def curvature_record(summary: CurvatureSummary) -> CurvatureRecord:
    """Return the curvature by all methods; its cautions travel with the canal."""
    values = {f.name: _plain(getattr(summary, f.name)) for f in fields(summary)}
    del values["cautions"]
    return CurvatureRecord(**values)


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, str):
        return None if value is None else str(value)
    if isinstance(value, float | int):
        return number(float(value))
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    return [_plain(item) for item in value]


def _spacing(provenance: Provenance) -> list[float] | None:
    spacing = provenance.spacing_mm
    return None if spacing is None else number_list(spacing, SPACING_DECIMALS)


def provenance_record(provenance: Provenance) -> ProvenanceRecord:
    """Return where a canal comes from."""
    return ProvenanceRecord(
        source=provenance.source,
        sha256=provenance.digest,
        methods=list(provenance.methods),
        spacing_mm=_spacing(provenance),
        spacing_origin=provenance.spacing_origin,
        invented=provenance.invented,
    )
