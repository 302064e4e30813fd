"""The images that DICOM objects refer to: one series of slices, without the patient's identity."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import UnreadableFile

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["SourceSeries", "read_source_series", "subject_values"]

Floats = NDArray[np.float64]

UNNAMED: Final = "UNNAMED"
# Of a slice's header only these are kept; everything else might name somebody.
_KEPT = frozenset(
    (
        "SpecificCharacterSet", "ImageType", "SOPClassUID", "SOPInstanceUID", "Modality",
        "StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID", "InstanceNumber",
        "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness",
        "SpacingBetweenSlices", "Rows", "Columns", "SamplesPerPixel", "PhotometricInterpretation",
        "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "QualityControlImage",
    )
)  # fmt: skip
_EMPTIED = (
    "AccessionNumber", "ReferringPhysicianName", "StudyDate", "StudyTime", "StudyID",
    "PatientBirthDate", "PatientSex", "PositionReferenceIndicator",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class SourceSeries:
    """Slices of one series in order along their normal.

    Attributes
    ----------
    slices : tuple of Dataset
        Headers without pixels.
    origin_mm : ndarray, shape (3,)
        Center of the first voxel.
    index_to_mm : ndarray, shape (3, 3)
        Columns are the steps of the column, row and slice index, right-handed.
    invented : bool
    """

    slices: tuple[Dataset, ...]
    origin_mm: Floats
    index_to_mm: Floats
    invented: bool

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of slices, rows and columns."""
        first = self.slices[0]
        return len(self.slices), int(first.Rows), int(first.Columns)

    def index_from_points(self, points_mm: Floats) -> Floats:
        """Return (column, row, slice) indices of points."""
        return np.asarray((points_mm - self.origin_mm) @ np.linalg.inv(self.index_to_mm).T, float)


def read_source_series(
    folder: Path, *, subject: str | None = None, keep_identity: bool = False
) -> SourceSeries:
    """Read the headers of the only series of slices in a folder.

    Parameters
    ----------
    folder : Path
    subject : str, optional
        Pseudonym that stands in place of name and identifier.
    keep_identity : bool
        Leave name, identifier, dates and the like as they are: only when asked for.

    Raises
    ------
    UnreadableFile
        If there is no series of slices with positions, or more than one.
    """
    groups: dict[str, list[Dataset]] = {}
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        header = _slice_header(path)
        if header is not None:
            groups.setdefault(str(header.SeriesInstanceUID), []).append(header)
    if len(groups) != 1:
        raise UnreadableFile(
            path=str(folder),
            problem=f"{len(groups)} series of DICOM slices with positions, and one is needed",
            hint="Give the folder of the scan the canals were measured in; DICOM objects refer to "
            "its slices.",
        )
    (slices,) = groups.values()
    if not keep_identity:
        for one in slices:
            _deidentify(one, subject)
    return _ordered(folder, slices)


def subject_values(subject: str | None, invented: bool) -> dict[str, str]:
    """Return name and identifier of a subject under a pseudonym."""
    name = subject or ("INVENTED" if invented else UNNAMED)
    return {"PatientName": f"{name}^", "PatientID": name}


def _slice_header(path: Path) -> Dataset | None:
    from pydicom import dcmread
    from pydicom.errors import InvalidDicomError

    if not path.is_file():
        return None
    try:
        header = dcmread(path, stop_before_pixels=True)
    except (InvalidDicomError, EOFError, OSError):
        return None
    return header if "ImagePositionPatient" in header and "Rows" in header else None


def _deidentify(header: Dataset, subject: str | None) -> None:
    invented = header.get("QualityControlImage") == "YES"
    for element in list(header):
        if element.keyword not in _KEPT:
            del header[element.tag]
    for keyword in _EMPTIED:
        setattr(header, keyword, None)
    for keyword, value in subject_values(subject, invented).items():
        setattr(header, keyword, value)


def _ordered(folder: Path, slices: list[Dataset]) -> SourceSeries:
    first = slices[0]
    across, down = np.asarray(first.ImageOrientationPatient, float).reshape(2, 3)
    normal = np.cross(across, down)
    places = np.array([np.asarray(one.ImagePositionPatient, float) for one in slices])
    order = np.argsort(places @ normal)
    places = places[order]
    steps = np.diff(places @ normal)
    if len(slices) < 2 or steps.min() <= 0.0 or np.ptp(steps) > 0.01 * steps.mean():
        raise UnreadableFile(path=str(folder), problem="its slices are not evenly spaced")
    row_mm, column_mm = (float(value) for value in first.PixelSpacing)
    between = (places[-1] - places[0]) / (len(slices) - 1)
    return SourceSeries(
        slices=tuple(slices[k] for k in order),
        origin_mm=places[0],
        index_to_mm=np.stack([across * column_mm, down * row_mm, between], axis=1),
        invented=first.get("QualityControlImage") == "YES",
    )
