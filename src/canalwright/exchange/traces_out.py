"""From `TracedCanal` to a ``canals@1`` document."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.exchange.canals import (
    CanalRecord,
    CanalsDocument,
    ProjectionRecord,
    StretchRecord,
)
from canalwright.exchange.canals_out import curvature_record, provenance_record
from canalwright.exchange.document import caution_records, header
from canalwright.exchange.numbers import SPACING_DECIMALS, number, number_list, optional_list
from canalwright.imaging.radiograph import Radiograph
from canalwright.imaging.tracing import TracedCanal, TracedStretch

__all__ = ["radiograph_input", "traced_document", "traced_record"]

_PX_DECIMALS = 2


def traced_document(
    canals: Iterable[TracedCanal], inputs: Mapping[str, Any], cautions: Iterable[Caution] = ()
) -> CanalsDocument:
    """Return traced canals as a document; see `canals_document`."""
    listed = tuple(canals)
    return CanalsDocument(
        **header(CanalsDocument),
        invented=any(canal.provenance.invented for canal in listed),
        inputs=dict(inputs),
        canals=[traced_record(canal) for canal in listed],
        cautions=caution_records(merged(cautions, CLINICAL_CAUTIONS)),
    )


def traced_record(canal: TracedCanal) -> CanalRecord:
    """Return one traced canal as a record; what a projection cannot show is left out."""
    level = number_list(canal.level_mm)
    curvature = canal.curvature
    return CanalRecord(
        name=canal.name,
        length_mm=level[-1],
        level_mm=level,
        centerline_mm=[number_list(point) for point in canal.centerline_mm],
        diameter_mm=optional_list(canal.width_mm),
        diameter_sd_mm=optional_list(canal.width_sd_mm),
        curvature=curvature_record(curvature),
        provenance=provenance_record(canal.provenance),
        projection=_projection(canal),
        cautions=caution_records(merged(canal.cautions, curvature.cautions)),
    )


def radiograph_input(radiograph: Radiograph) -> dict[str, Any]:
    """Return the entry of a radiograph among the inputs."""
    return {
        "source": radiograph.source,
        "sha256": radiograph.digest,
        "shape_yx": list(radiograph.shape),
        "scale_mm_per_px": number(radiograph.scale_mm_per_px, SPACING_DECIMALS),
        "scale_sd_mm_per_px": number(radiograph.scale_sd_mm_per_px, SPACING_DECIMALS),
        "scale_origin": str(radiograph.scale_origin),
        "invented": radiograph.invented,
    }


def _projection(canal: TracedCanal) -> ProjectionRecord:
    depth_sd = canal.depth_sd_mm
    return ProjectionRecord(
        view_angles_deg=number_list(np.asarray(canal.view_angles_deg)),
        scale_mm_per_px=number_list([canal.ruler.scale_mm_per_px or np.nan], SPACING_DECIMALS)[0],
        scale_sd_mm_per_px=number(canal.ruler.scale_sd_mm_per_px, SPACING_DECIMALS),
        scale_origin=str(canal.ruler.origin),
        length_sd_mm=number(canal.length_sd_mm),
        depth_sd_mm=None if depth_sd is None else optional_list(depth_sd),
        clicks_px=[number_list(point, _PX_DECIMALS) for point in canal.clicks_px],
        points_px=[number_list(point, _PX_DECIMALS) for point in canal.points_px],
        stretches=[_stretch(stretch) for stretch in canal.stretches],
    )


def _stretch(stretch: TracedStretch) -> StretchRecord:
    return StretchRecord(
        start_level_mm=number_list([stretch.start_level_mm])[0],
        end_level_mm=number_list([stretch.end_level_mm])[0],
        snapped=stretch.snapped,
        confidence=number(stretch.confidence),
    )
