"""A single-frame DICOM radiograph: gray values as they are to be seen, and the stated scale."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.imaging.readers.dicom_headers import INVENTED_COMMENT
from canalwright.imaging.readers.guard import guarded, refuse
from canalwright.imaging.rulers import Ruler, StatedScale, choose_ruler

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

__all__ = ["DicomPicture", "read_dicom_picture", "scale_stated_in"]

Gray = NDArray[np.float32]

MOST_PIXELS: Final = 150_000_000
_NO_RADIOGRAPH: Final = ("CT", "MR", "PT", "NM", "US", "SEG", "RTDOSE")
_SQUARE_SHARE: Final = 1e-3


@dataclass(frozen=True, eq=False)
class DicomPicture:
    """Gray values (larger where more was absorbed), ruler, and what to say about them."""

    gray: Gray
    ruler: Ruler
    invented: bool
    cautions: tuple[Caution, ...]


def read_dicom_picture(path: Path) -> DicomPicture:
    """Read a DICOM radiograph.

    Modality and value-of-interest tables are applied, so that the picture is the one a viewer
    shows; MONOCHROME1 and raw detector values that grow with exposure are turned over.

    Raises
    ------
    UnreadableFile
        If the file is damaged, is no radiograph, holds several frames, or pixels that are not
        square.
    """
    from pydicom import dcmread

    with guarded(path, "its DICOM header"):
        dataset = dcmread(path, force=True)
        _require_radiograph(path, dataset)
        _require_size(path, dataset)
        stated = scale_stated_in(path, dataset)
    with guarded(path, "its DICOM pixels"):
        gray = _shown(dataset)
        dark_is_dense = _dark_is_dense(dataset)
    return DicomPicture(
        gray=-gray if dark_is_dense else gray,
        ruler=choose_ruler(stated),
        invented=str(dataset.get("ImageComments", "")).strip() == INVENTED_COMMENT,
        cautions=tuple(_cautions(dataset)),
    )


def scale_stated_in(path: Path, dataset: Dataset) -> StatedScale:
    """Return what a header states about the scale.

    Raises
    ------
    UnreadableFile
        If it states pixels that are not square, or a number that is none.
    """
    return StatedScale(
        modality=_text(dataset, "Modality"),
        pixel_spacing_mm=_square(path, dataset, "PixelSpacing"),
        imager_spacing_mm=_square(path, dataset, "ImagerPixelSpacing"),
        scanned_spacing_mm=_square(path, dataset, "NominalScannedPixelSpacing"),
        calibration_type=_text(dataset, "PixelSpacingCalibrationType"),
        magnification=_number(path, dataset, "EstimatedRadiographicMagnificationFactor"),
        source_to_detector_mm=_number(path, dataset, "DistanceSourceToDetector"),
        source_to_patient_mm=_number(path, dataset, "DistanceSourceToPatient"),
    )


def _require_radiograph(path: Path, dataset: Dataset) -> None:
    if "Rows" not in dataset:
        raise refuse(path, "is a DICOM file without an image")
    modality = _text(dataset, "Modality")
    if modality in _NO_RADIOGRAPH:
        raise refuse(
            path,
            f"holds a picture of modality {modality}, not a radiograph",
            "Slices of a volume are read by 'canalwright measure'.",
        )
    frames = int(dataset.get("NumberOfFrames") or 1)
    if frames != 1:
        raise refuse(path, f"holds {frames} frames; a radiograph is one picture")
    samples = int(dataset.get("SamplesPerPixel") or 1)
    if samples != 1 or not _text(dataset, "PhotometricInterpretation").startswith("MONOCHROME"):
        raise refuse(path, "holds a color picture, not gray values")


def _require_size(path: Path, dataset: Dataset) -> None:
    rows, columns = int(dataset.Rows), int(dataset.get("Columns") or 0)
    if rows * columns > MOST_PIXELS:
        raise refuse(path, f"is too large ({columns} × {rows} pixels)")
    aspect = dataset.get("PixelAspectRatio")
    if aspect and len(aspect) == 2 and int(aspect[0]) != int(aspect[1]):
        raise refuse(path, f"has pixels that are not square ({aspect[0]}:{aspect[1]})")


def _shown(dataset: Dataset) -> Gray:
    """Return pixels after the tables of the header: first to detector values, then to display."""
    from pydicom.pixels.processing import apply_modality_lut, apply_voi_lut

    values = apply_modality_lut(dataset.pixel_array, dataset)
    if "VOILUTSequence" in dataset or _has_window(dataset):
        values = apply_voi_lut(values, dataset)
    return np.asarray(values, np.float32)


def _has_window(dataset: Dataset) -> bool:
    return dataset.get("WindowCenter") is not None and dataset.get("WindowWidth") is not None


def _dark_is_dense(dataset: Dataset) -> bool:
    sign = dataset.get("PixelIntensityRelationshipSign")
    if _text(dataset, "PresentationIntentType") == "FOR PROCESSING" and sign is not None:
        # Raw values of this sign grow with the exposure of the detector.
        return int(sign) == 1
    return _text(dataset, "PhotometricInterpretation") == "MONOCHROME1"


def _cautions(dataset: Dataset) -> Iterator[Caution]:
    if _text(dataset, "BurnedInAnnotation") == "YES":
        yield Caution(
            "BURNED_IN_ANNOTATION",
            "The file says that writing is burned into the picture, perhaps a name: look at "
            "figures before passing them on.",
            "dicomps33",
        )
    if _text(dataset, "LossyImageCompression") == "01":
        yield Caution(
            "LOSSY_COMPRESSION",
            "The picture was compressed with loss; fine edges may have moved.",
            "dicomps33",
        )


def _text(dataset: Dataset, keyword: str) -> str:
    return str(dataset.get(keyword) or "").strip().upper()


def _square(path: Path, dataset: Dataset, keyword: str) -> float | None:
    value = dataset.get(keyword)
    if not value:
        return None
    numbers = [float(v) for v in (value if _is_list(value) else [value])]
    if len(numbers) != 2 or not all(math.isfinite(n) and n > 0.0 for n in numbers):
        shown = ", ".join(f"{n:g}" for n in numbers)
        raise refuse(path, f"states an impossible {_spaced(keyword)} ({shown})")
    if abs(numbers[0] / numbers[1] - 1.0) > _SQUARE_SHARE:
        raise refuse(
            path,
            f"has pixels that are not square ({_spaced(keyword)} {numbers[0]:g} × {numbers[1]:g})",
        )
    return numbers[0]


def _number(path: Path, dataset: Dataset, keyword: str) -> float | None:
    value = dataset.get(keyword)
    if value is None or value == "":
        return None
    number = float(value)
    if not math.isfinite(number):
        raise refuse(path, f"states an impossible {_spaced(keyword)} ({number:g})")
    return number if number > 0.0 else None


def _is_list(value: Any) -> bool:
    return hasattr(value, "__iter__") and not isinstance(value, str)


def _spaced(keyword: str) -> str:
    return "".join(f" {c}" if c.isupper() else c for c in keyword).strip()
