"""Canals and pulp as a DICOM Segmentation on the grid of the scan."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright import __version__
from canalwright.anatomy.canal import Canal
from canalwright.errors import NotInVolume, UsageError
from canalwright.exchange.dicom_codes import (
    private_code,
    require_known_codes,
    scheme_identification,
    standard_code,
    tooth_code,
)
from canalwright.exchange.dicom_source import SourceSeries
from canalwright.exchange.extras import needed
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.tube import canal_tube
from canalwright.teaching.solid import Solid
from canalwright.teaching.solid_voxels import filled_share

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["PULP_LABEL", "dicom_segmentation", "new_uid", "segmentation_library"]

Floats = NDArray[np.float64]
Shares = NDArray[np.float32]

PULP_LABEL: Final = "pulp"


@dataclass(frozen=True, eq=False)
class _Placed:
    """Shares of voxels filled, and the index (slice, row, column) of their first one."""

    low: NDArray[np.int64]
    share: Shares


def segmentation_library() -> Any:
    """Return the library that writes and reads segmentations and reports."""
    return needed("highdicom", purpose="DICOM SEG and SR", extra="exchange", library="highdicom")


def dicom_segmentation(
    canals: Sequence[Canal], source: SourceSeries, *, tooth: int | None = None
) -> Dataset:
    """Return canals as a segmentation with one segment each, and one for all of them, the pulp.

    A canal is narrower than a few voxels, so the segmentation is fractional: each voxel holds the
    share of it that the lumen fills, in steps of 1/255. Their sum times the voxel is the volume.

    Parameters
    ----------
    canals : sequence of Canal
        Measured in the scan, in its patient coordinates.
    source : SourceSeries
    tooth : int, optional
        ISO 3950 number.

    Returns
    -------
    Dataset

    Raises
    ------
    NotInVolume
        If a canal lies outside the scan.
    MissingExtra
        If highdicom is not installed.
    """
    library = segmentation_library()
    if not canals:
        raise UsageError("A segmentation needs at least one canal.")
    placed = [_placed(canal, source) for canal in canals]
    first, pixels = _stacked(placed, source)
    made: Dataset = library.seg.Segmentation(
        source_images=list(source.slices[first : first + len(pixels)]),
        pixel_array=pixels,
        segmentation_type=library.seg.SegmentationTypeValues.FRACTIONAL,
        fractional_type=library.seg.SegmentationFractionalTypeValues.OCCUPANCY,
        max_fractional_value=255,
        segment_descriptions=_descriptions(library, canals, tooth),
        series_instance_uid=new_uid("seg-series", canals, source),
        series_number=100,
        sop_instance_uid=new_uid("seg", canals, source),
        instance_number=1,
        manufacturer="Canalwright",
        manufacturer_model_name="Canalwright",
        software_versions=__version__,
        device_serial_number="none",
        content_label="ROOT_CANALS",
        content_description="Estimated from gray values; not measured in the tooth",
        series_description=_description("Root canals", source),
    )
    made.CodingSchemeIdentificationSequence = [scheme_identification()]
    require_known_codes(made)
    return made


def new_uid(kind: str, canals: Sequence[Canal], source: SourceSeries) -> str:
    """Return an identifier that follows from the canals and the scan."""
    from pydicom.uid import generate_uid

    digest = hashlib.sha256()
    for canal in canals:
        digest.update(canal.name.encode())
        digest.update(np.ascontiguousarray(canal.centerline_mm).tobytes())
        digest.update(np.ascontiguousarray(canal.radius_mm).tobytes())
    series = str(source.slices[0].SeriesInstanceUID)
    return str(generate_uid(entropy_srcs=[kind, series, digest.hexdigest()]))


def _description(text: str, source: SourceSeries) -> str:
    return f"INVENTED DATA: {text}" if source.invented else text


def _placed(canal: Canal, source: SourceSeries) -> _Placed:
    tube = canal_tube(CanalAxis.of(canal), canal.radius_mm)
    index = source.index_from_points(tube.point_mm)
    low = np.floor(index.min(axis=0)).astype(int)
    high = np.ceil(index.max(axis=0)).astype(int) + 1
    last = np.asarray(source.shape[::-1])
    if np.any(low < 0) or np.any(high > last):
        _refuse(canal, source)
    count = high - low
    share = filled_share(
        Solid(index - low, tube.triangle),
        np.zeros(3),
        (1.0, 1.0, 1.0),
        (int(count[2]), int(count[1]), int(count[0])),
    )
    return _Placed(low[::-1], share)


def _refuse(canal: Canal, source: SourceSeries) -> None:
    corners = np.array([[0, 0, 0], np.asarray(source.shape[::-1]) - 1]) @ source.index_to_mm.T
    ends = np.sort(corners + source.origin_mm, axis=0)
    point = canal.centerline_mm[0]
    raise NotInVolume(
        name=f"canal {canal.name!r}, terminus",
        point_mm=(float(point[0]), float(point[1]), float(point[2])),
        low_mm=(float(ends[0, 0]), float(ends[0, 1]), float(ends[0, 2])),
        high_mm=(float(ends[1, 0]), float(ends[1, 1]), float(ends[1, 2])),
    )


def _stacked(placed: list[_Placed], source: SourceSeries) -> tuple[int, Shares]:
    """Return the first slice and the shares (slice, row, column, segment), the pulp last."""
    first = min(int(one.low[0]) for one in placed)
    end = max(int(one.low[0]) + len(one.share) for one in placed)
    _, rows, columns = source.shape
    pixels = np.zeros((end - first, rows, columns, len(placed) + 1), np.float32)
    for at, one in enumerate(placed):
        z, y, x = (int(value) for value in one.low)
        nz, ny, nx = one.share.shape
        pixels[z - first : z - first + nz, y : y + ny, x : x + nx, at] = one.share
    np.max(pixels[..., :-1], axis=-1, out=pixels[..., -1])
    return first, pixels


def _descriptions(library: Any, canals: Sequence[Canal], tooth: int | None) -> list[Any]:
    named = [(canal.name, "CANAL") for canal in canals] + [(PULP_LABEL, "PULP")]
    algorithm = library.AlgorithmIdentificationSequence(
        name="Canalwright measurement of canals",
        family=private_code("ESTIMATED"),
        version=__version__,
    )
    return [
        library.seg.SegmentDescription(
            segment_number=number + 1,
            segment_label=label[:64],
            segmented_property_category=standard_code("AnatomicalStructure"),
            segmented_property_type=private_code(kind),
            algorithm_type=library.seg.SegmentAlgorithmTypeValues.SEMIAUTOMATIC,
            algorithm_identification=algorithm,
            anatomic_regions=[tooth_code(tooth)],
        )
        for number, (label, kind) in enumerate(named)
    ]
