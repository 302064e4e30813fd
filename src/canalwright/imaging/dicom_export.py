"""A volume as a DICOM CT series that general viewers read, marked for what it is."""

from __future__ import annotations

import hashlib
import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from canalwright.errors import OutOfRange
from canalwright.imaging.readers.dicom_headers import INVENTED_COMMENT
from canalwright.imaging.scan import Scan

if TYPE_CHECKING:
    from pydicom.dataset import FileDataset

__all__ = ["write_ct_series"]

INVENTED_NAME = "PHANTOM^INVENTED"
UNNAMED_COMMENT = "Written from an image volume; no data on the patient were kept."
FILE_PATTERN = "slice-{:04d}.dcm"


@dataclass(frozen=True, slots=True)
class _Coding:
    """How gray values become 16-bit integers: value = stored * slope + intercept."""

    slope: float
    intercept: float


@dataclass(frozen=True, slots=True)
class _Identity:
    """The identifiers of one series, the same for the same content."""

    study: str
    series: str
    frame_of_reference: str
    seed: str


def write_ct_series(scan: Scan, folder: Path, *, description: str) -> list[Path]:
    """Write a scan as a CT Image Storage series, one file per slice.

    Gray values that are whole numbers within 16 bits are kept exactly; others are rounded to
    1/65 535 of their range. All identifiers follow from the content, so the same scan gives the
    same files. Phantoms carry an invented name and say that they are invented. A scan without
    orientation is written along its index axes.

    Parameters
    ----------
    scan : Scan
    folder : Path
        Made if missing. Slices of an earlier series of this function in it are replaced.
    description : str
        Series description, at most 64 characters are kept.

    Returns
    -------
    list of Path
        In order of the z index.

    Raises
    ------
    OutOfRange
        If a gray value is not finite.
    """
    coding = _coding(scan.voxels)
    identity = _identity(scan, description)
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / FILE_PATTERN.format(z + 1) for z in range(len(scan.voxels))]
    for z, path in enumerate(paths):
        dataset = _dataset(scan, identity, coding, description)
        _add_slice(dataset, scan, identity, z, coding)
        _save(dataset, path)
    for stale in set(folder.glob("slice-[0-9][0-9][0-9][0-9].dcm")) - set(paths):
        stale.unlink()
    return paths


def _coding(voxels: NDArray[np.generic]) -> _Coding:
    low, high = float(voxels.min()), float(voxels.max())
    if not (math.isfinite(low) and math.isfinite(high)):
        raise OutOfRange(
            name="gray value to be written",
            got=low if not math.isfinite(low) else high,
            unit="",
            allowed=(-(2.0**63), 2.0**63),
        )
    if voxels.dtype.kind in "iu" and high - low < 2**16:
        fits = low >= -(2**15) and high < 2**15
        return _Coding(1.0, 0.0 if fits else low + 2**15)
    # Decimal strings hold 16 characters: the values written are the ones to code with.
    slope = float(_decimal(max(high - low, 1e-6) / (2**16 - 2)))
    return _Coding(slope, float(_decimal(low + slope * (2**15 - 1))))


def _identity(scan: Scan, description: str) -> _Identity:
    from pydicom.uid import generate_uid

    digest = hashlib.sha256(np.ascontiguousarray(scan.voxels).data)
    digest.update(np.asarray([*scan.spacing_mm, *scan.origin_mm, *scan.direction.flat]).tobytes())
    digest.update(description.encode())
    seed = digest.hexdigest()
    study, series, frame = (
        str(generate_uid(entropy_srcs=[seed, part])) for part in ("study", "series", "frame")
    )
    return _Identity(study, series, frame, seed)


def _dataset(scan: Scan, identity: _Identity, coding: _Coding, description: str) -> FileDataset:
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = CTImageStorage
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    dataset = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    nz, ny, nx = scan.shape
    dz, dy, dx = scan.spacing_mm
    values = {
        "SpecificCharacterSet": "ISO_IR 192",
        "ImageType": ["DERIVED", "SECONDARY", "AXIAL"],
        "SOPClassUID": CTImageStorage,
        "Modality": "CT",
        "Manufacturer": "Canalwright",
        "SeriesDescription": description[:64],
        "StudyInstanceUID": identity.study,
        "SeriesInstanceUID": identity.series,
        "FrameOfReferenceUID": identity.frame_of_reference,
        "SeriesNumber": 1,
        "ImagesInAcquisition": nz,
        "Rows": ny,
        "Columns": nx,
        "PixelSpacing": [_decimal(dy), _decimal(dx)],
        "SliceThickness": _decimal(dz),
        "SpacingBetweenSlices": _decimal(dz),
        "SamplesPerPixel": 1,
        "PhotometricInterpretation": "MONOCHROME2",
        "BitsAllocated": 16,
        "BitsStored": 16,
        "HighBit": 15,
        "PixelRepresentation": 1,
        "RescaleSlope": _decimal(coding.slope),
        "RescaleIntercept": _decimal(coding.intercept),
        "RescaleType": "US",
        "BurnedInAnnotation": "NO",
        "ImageOrientationPatient": [_decimal(c) for c in scan.direction[:, :2].T.flat],
        **_subject(scan.invented),
    }
    for keyword, value in values.items():
        setattr(dataset, keyword, value)
    return dataset


def _subject(invented: bool) -> dict[str, str | None]:
    empty = (
        "StudyDate", "StudyTime", "AccessionNumber", "ReferringPhysicianName", "PatientBirthDate",
        "PatientSex", "StudyID", "KVP", "AcquisitionNumber", "PositionReferenceIndicator",
        "PatientPosition",
    )  # fmt: skip
    known = {
        "PatientName": INVENTED_NAME if invented else "UNNAMED",
        "PatientID": "INVENTED" if invented else "UNNAMED",
        "PatientIdentityRemoved": "YES",
        "DeidentificationMethod": "Only geometry and gray values written",
        "QualityControlImage": "YES" if invented else "NO",
        "ImageComments": INVENTED_COMMENT if invented else UNNAMED_COMMENT,
    }
    return {**dict.fromkeys(empty), **known}


def _add_slice(
    dataset: FileDataset, scan: Scan, identity: _Identity, z: int, coding: _Coding
) -> None:
    from pydicom.uid import generate_uid

    instance = generate_uid(entropy_srcs=[identity.seed, str(z)])
    dataset.file_meta.MediaStorageSOPInstanceUID = instance
    dataset.SOPInstanceUID = instance
    dataset.InstanceNumber = z + 1
    dataset.ImagePositionPatient = [_decimal(c) for c in scan.points_from_index([0, 0, z])]
    plane = (scan.voxels[z].astype(np.float64) - coding.intercept) / coding.slope
    dataset.PixelData = np.clip(np.rint(plane), -(2**15), 2**15 - 1).astype("<i2").tobytes()


def _decimal(value: float) -> str:
    from pydicom.valuerep import format_number_as_ds

    return format_number_as_ds(float(value) + 0.0)


def _save(dataset: FileDataset, path: Path) -> None:
    partial = path.with_name(f".{path.name}.{os.getpid()}.partial")
    try:
        dataset.save_as(partial, enforce_file_format=True)
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)
