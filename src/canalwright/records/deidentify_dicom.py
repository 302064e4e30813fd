"""DICOM files without anything that identifies a person: only what is listed here is kept.

The standard lists the attributes to remove (PS3.15, annex E, basic profile); makers add private
ones and new editions add more. So nothing is removed by name: a new file is made of the pixels,
their geometry and their meaning, each value checked for what it may be, and everything else,
private elements and free text above all, stays behind. Identifiers are replaced by others that
hang together in the same way.
"""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from canalwright.errors import UnreadableFile
from canalwright.imaging.readers.dicom_headers import INVENTED_COMMENT

if TYPE_CHECKING:
    from pydicom.dataelem import DataElement
    from pydicom.dataset import Dataset, FileDataset

__all__ = ["KEPT_KEYWORDS", "METHOD", "cleaned_dicom"]

METHOD: Final = "DICOM: only pixels, geometry and gray-value meaning kept; identifiers replaced"

_NUMBERS: Final = frozenset(
    (
        "Rows", "Columns", "NumberOfFrames", "BitsAllocated", "BitsStored", "HighBit",
        "PixelRepresentation", "SamplesPerPixel", "PlanarConfiguration",
        "SmallestImagePixelValue", "LargestImagePixelValue", "PixelPaddingValue",
        "PixelPaddingRangeLimit", "PixelAspectRatio", "PixelSpacing", "ImagerPixelSpacing",
        "NominalScannedPixelSpacing", "SliceThickness", "SpacingBetweenSlices",
        "ImagePositionPatient", "ImageOrientationPatient", "SliceLocation",
        "EstimatedRadiographicMagnificationFactor", "DistanceSourceToDetector",
        "DistanceSourceToPatient", "DistanceSourceToEntrance", "RescaleSlope",
        "RescaleIntercept", "WindowCenter", "WindowWidth", "LUTDescriptor", "LUTData",
        "KVP", "XRayTubeCurrent", "ExposureTime", "Exposure", "SeriesNumber",
        "InstanceNumber", "AcquisitionNumber", "StackID", "InStackPositionNumber",
        "DimensionIndexValues", "TemporalPositionIndex", "ReconstructionDiameter",
        "FieldOfViewDimensions", "LossyImageCompressionRatio",
    )
)  # fmt: skip

_CODES: Final[dict[str, frozenset[str]]] = {
    key: frozenset(values.split())
    for key, values in {
        "Modality": "CT DX IO PX CR RG XC OT SC MR",
        "PhotometricInterpretation": "MONOCHROME1 MONOCHROME2 RGB YBR_FULL YBR_FULL_422 "
        "YBR_PARTIAL_420 YBR_ICT YBR_RCT",
        "ImageType": "ORIGINAL DERIVED PRIMARY SECONDARY AXIAL LOCALIZER OTHER NONE VOLUME",
        "PixelSpacingCalibrationType": "GEOMETRY FIDUCIAL",
        "PixelIntensityRelationship": "LIN LOG DISP TM OTHER",
        "PixelIntensityRelationshipSign": "1 -1",
        "PresentationIntentType": "PRESENTATION PROCESSING",
        "PresentationLUTShape": "IDENTITY INVERSE",
        "RescaleType": "US HU OD MGML PCT",
        "ModalityLUTType": "US HU OD MGML PCT",
        "VOILUTFunction": "LINEAR LINEAR_EXACT SIGMOID",
        "LossyImageCompression": "00 01",
        "BurnedInAnnotation": "NO",
        "ImageLaterality": "L R U B",
        "Laterality": "L R",
        "PatientPosition": "HFS HFP HFDR HFDL FFS FFP FFDR FFDL LFP LFS RFP RFS "
        "AFDR AFDL PFDR PFDL",
        "QualityControlImage": "YES NO BOTH",
        "VolumetricProperties": "VOLUME SAMPLED DISTORTED MIXED",
    }.items()
}

_REPLACED_UIDS: Final = frozenset(
    ["SOPInstanceUID", "SeriesInstanceUID", "StudyInstanceUID", "FrameOfReferenceUID"]
)
_SEQUENCES: Final = frozenset(
    (
        "SharedFunctionalGroupsSequence", "PerFrameFunctionalGroupsSequence",
        "PixelMeasuresSequence", "PlanePositionSequence", "PlaneOrientationSequence",
        "PixelValueTransformationSequence", "FrameVOILUTSequence", "FrameContentSequence",
        "ModalityLUTSequence", "VOILUTSequence",
    )
)  # fmt: skip
_PIXELS: Final = frozenset({"PixelData"})

KEPT_KEYWORDS: Final = (
    _NUMBERS
    | frozenset(_CODES)
    | _REPLACED_UIDS
    | _SEQUENCES
    | _PIXELS
    | {"SOPClassUID", "SpecificCharacterSet", "ImageComments"}
)
"""Attributes of which something may remain; the rest of the dictionary is left behind."""

_STATED: Final = {
    "PatientName": "UNNAMED",
    "PatientID": "UNNAMED",
    "PatientBirthDate": "",
    "PatientSex": "",
    "StudyDate": "",
    "StudyTime": "",
    "StudyID": "",
    "AccessionNumber": "",
    "ReferringPhysicianName": "",
    "PatientIdentityRemoved": "YES",
    "DeidentificationMethod": "Only pixels, geometry and gray values kept",
    "SpecificCharacterSet": "ISO_IR 192",
}


def cleaned_dicom(path: Path, *, name: str, salt: str) -> bytes:
    """Return a DICOM file without anything that identifies a person.

    Parameters
    ----------
    path : Path
    name : str
        What to call the file in messages, for its own name may hold a person's.
    salt : str
        Identifiers are replaced by others that follow from them and from this text.

    Raises
    ------
    UnreadableFile
        If it cannot be read, or says that text is burned into its pixels.
    """
    import pydicom
    from pydicom.config import disable_value_validation

    with _silent(), disable_value_validation():
        try:
            source = pydicom.dcmread(path, force=False)
            if str(source.get("BurnedInAnnotation", "")).strip().upper() == "YES":
                raise UnreadableFile(
                    path=name,
                    problem="it says that text is burned into its pixels, which may name a person",
                    hint="Mask that text first, or attach the file as it is with --as-is.",
                )
            made = _new_file(source, salt)
            sink = io.BytesIO()
            made.save_as(sink, enforce_file_format=True)
        except UnreadableFile:
            raise
        except Exception as error:  # whatever a broken file raises in the library
            raise UnreadableFile(
                path=name, problem=f"cannot be read as DICOM ({type(error).__name__})"
            ) from None
    return sink.getvalue()


@contextmanager
def _silent() -> Iterator[None]:
    """Keep the library quiet: it warns and logs of odd values by quoting them, as names may be."""
    logger = logging.getLogger("pydicom")
    before, logger.disabled = logger.disabled, True
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logger.disabled = before


def _new_file(source: FileDataset, salt: str) -> FileDataset:
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import UID

    meta = FileMetaDataset()
    made = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    _copy(source, made, salt)
    for keyword, value in _STATED.items():
        setattr(made, keyword, value)
    syntax = UID(str(source.file_meta.TransferSyntaxUID))
    if not syntax.is_transfer_syntax or "PixelData" not in source:
        raise ValueError
    meta.TransferSyntaxUID = syntax
    meta.MediaStorageSOPClassUID = made.SOPClassUID
    meta.MediaStorageSOPInstanceUID = made.SOPInstanceUID
    made["PixelData"].is_undefined_length = source["PixelData"].is_undefined_length
    return made


def _copy(source: Dataset, target: Dataset, salt: str) -> None:
    for element in source:
        keyword = element.keyword
        if keyword in KEPT_KEYWORDS and not element.tag.is_private:
            value = _value(keyword, element, salt)
            if value is not None:
                target.add_new(element.tag, element.VR, value)


def _value(keyword: str, element: DataElement, salt: str) -> Any:
    if keyword in _SEQUENCES:
        return _items(element, salt) if element.VR == "SQ" else None
    if keyword in _NUMBERS:
        return element.value if _is_numeric(element) else None
    if keyword in _CODES:
        return _known_codes(element, _CODES[keyword])
    if keyword in _PIXELS:
        return element.value if element.VR in ("OB", "OW") else None
    return _OTHERS[keyword](str(element.value), salt)


def _items(element: DataElement, salt: str) -> Any:
    from pydicom.dataset import Dataset
    from pydicom.sequence import Sequence

    made = []
    for item in element.value:
        one = Dataset()
        _copy(item, one, salt)
        made.append(one)
    return Sequence(made)


def _is_numeric(element: DataElement) -> bool:
    if element.VR in ("OW", "OB", "US", "SS", "UL", "SL", "FL", "FD", "US or SS", "US or OW"):
        return element.keyword != "PixelData"
    if element.VR not in ("DS", "IS", "SH"):
        return False
    values = element.value if element.VM > 1 else [element.value]
    try:
        return all(abs(float(str(value))) < 1e12 for value in values)
    except ValueError:
        return False


def _known_codes(element: DataElement, known: frozenset[str]) -> Any:
    values = list(element.value) if element.VM > 1 else [element.value]
    kept = [str(value).strip() for value in values]
    if element.keyword == "ImageType":
        # Further values are the maker's own; their places are kept, their text is not.
        kept = [value if value in known else "OTHER" for value in kept]
    if not kept or any(value not in known for value in kept):
        return None
    return kept if len(kept) > 1 else _as_stored(element, kept[0])


def _as_stored(element: DataElement, text: str) -> Any:
    return int(text) if element.VR in ("SS", "US", "IS") else text


def _replaced_uid(uid: str, salt: str) -> str:
    from pydicom.uid import generate_uid

    return str(generate_uid(entropy_srcs=[salt, uid]))


def _class_uid(uid: str, _salt: str) -> str | None:
    from pydicom.uid import UID

    return uid if UID(uid).name != uid else None


_OTHERS: Final[dict[str, Callable[[str, str], Any]]] = {
    **dict.fromkeys(_REPLACED_UIDS, _replaced_uid),
    "SOPClassUID": _class_uid,
    "SpecificCharacterSet": lambda _text, _salt: "ISO_IR 192",
    "ImageComments": lambda text, _salt: text if text == INVENTED_COMMENT else None,
}
