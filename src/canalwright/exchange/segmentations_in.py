"""Segmentations of canals by other programs (NIfTI, NRRD, DICOM SEG), as canals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import UnknownName, UnreadableFile
from canalwright.exchange.extras import needed
from canalwright.imaging.labelled_canal import LabelGrid, canal_of_label

__all__ = ["Segmentation", "canals_of", "read_segmentation"]

_MOST_LABELS: Final = 60


@dataclass(frozen=True, eq=False)
class Segmentation:
    """Named parts of a volume.

    Attributes
    ----------
    source : str
    parts : dict of str to ndarray, shape (nz, ny, nx)
        Share of every voxel that belongs to the part, 0 to 1.
    origin_mm : ndarray, shape (3,)
        Center of voxel ``[0, 0, 0]``, LPS where the file states an orientation.
    index_to_mm : ndarray, shape (3, 3)
        Columns are the steps of the (x, y, z) index.
    invented : bool
    """

    source: str
    parts: Mapping[str, NDArray[np.float32]]
    origin_mm: NDArray[np.float64]
    index_to_mm: NDArray[np.float64]
    invented: bool = False


def read_segmentation(path: Path) -> Segmentation:
    """Read a segmentation: a volume of whole-number labels, or a DICOM SEG.

    Raises
    ------
    UnreadableFile
        If it is neither.
    MissingExtra
        If a DICOM SEG is given and highdicom is not installed.
    """
    from canalwright.imaging.readers.dicom import is_dicom

    if path.is_file() and is_dicom(path):
        return _dicom(path)
    return _labels(path)


def canals_of(
    segmentation: Segmentation,
    *,
    names: Mapping[str, str] | None = None,
    terminus_mm: Mapping[str, tuple[float, float, float]] | None = None,
) -> tuple[Canal, ...]:
    """Return a canal for every part, or for those named.

    Parameters
    ----------
    segmentation : Segmentation
    names : mapping, optional
        Part to canal name; others are left out.
    terminus_mm : mapping, optional
        By canal name, a point near the terminus. Without it the narrower end is taken.

    Raises
    ------
    UnknownName
        If a part is not there.
    NotACanal
        If a part is not long and thin.
    """
    chosen = dict(names) if names else {part: part for part in segmentation.parts}
    for part in chosen:
        if part not in segmentation.parts:
            raise UnknownName(
                kind="part of the segmentation", got=part, known=tuple(segmentation.parts)
            )
    return tuple(
        canal_of_label(
            LabelGrid(segmentation.parts[part], segmentation.origin_mm, segmentation.index_to_mm),
            name,
            terminus_mm=(terminus_mm or {}).get(name),
            source=segmentation.source,
            invented=segmentation.invented,
        )
        for part, name in chosen.items()
    )


def _labels(path: Path) -> Segmentation:
    from canalwright.imaging.readers import read_scan

    scan = read_scan(path)
    values = np.unique(scan.voxels)
    labels = values[values != 0]
    if len(labels) > _MOST_LABELS or np.any(labels != np.round(labels)) or np.any(labels < 0):
        raise UnreadableFile(
            path=str(path),
            problem=f"{len(values)} different values, so it is no segmentation",
            hint="A segmentation holds 0 outside and one whole number for each canal.",
        )
    parts = {str(int(label)): (scan.voxels == label).astype(np.float32) for label in labels}
    return Segmentation(path.name, parts, scan.origin_mm, scan.index_to_mm, scan.invented)


def _dicom(path: Path) -> Segmentation:
    library = needed("highdicom", purpose="DICOM SEG", extra="exchange", library="highdicom")
    try:
        image = library.seg.segread(str(path))
        volume = image.get_volume()
    except (ValueError, AttributeError, TypeError, RuntimeError) as error:
        raise UnreadableFile(
            path=str(path), problem=f"is no DICOM segmentation that can be read ({error})"
        ) from None
    affine = np.asarray(volume.affine, float)
    array = np.asarray(volume.array, np.float32)
    parts = {
        _label(image, number): array[..., at]
        for at, number in enumerate(image.segment_numbers)
        if np.any(array[..., at] > 0)
    }
    # Its index is (slice, row, column); ours is (x, y, z), which is column, row, slice.
    invented = str(image.get("SeriesDescription", "")).startswith("INVENTED")
    return Segmentation(path.name, parts, affine[:3, 3], affine[:3, [2, 1, 0]], invented)


def _label(image: Any, number: int) -> str:
    return str(image.get_segment_description(number).segment_label)
