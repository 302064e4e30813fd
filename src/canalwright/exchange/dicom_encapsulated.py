"""A PDF or an STL inside a DICOM object, for an archive that keeps nothing else."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from canalwright import __version__
from canalwright.errors import UnreadableFile
from canalwright.exchange.dicom_codes import (
    private_code,
    require_known_codes,
    scheme_identification,
)
from canalwright.exchange.dicom_source import SourceSeries, subject_values

if TYPE_CHECKING:
    from pydicom.dataset import FileDataset

__all__ = ["content_of", "encapsulated_pdf", "encapsulated_stl"]

_PDF_CLASS: Final = "1.2.840.10008.5.1.4.1.1.104.1"
_STL_CLASS: Final = "1.2.840.10008.5.1.4.1.1.104.3"
_STL_HEADER_BYTES: Final = 84


def encapsulated_pdf(
    content: bytes,
    *,
    title: str,
    subject: str | None = None,
    source: SourceSeries | None = None,
    invented: bool = False,
) -> FileDataset:
    """Return a PDF as an Encapsulated PDF object.

    Parameters
    ----------
    content : bytes
    title : str
    subject : str, optional
        Pseudonym; without it, and without a scan, the object names nobody.
    source : SourceSeries, optional
        Scan whose study the object is to belong to; its subject is then that of the object.
    invented : bool

    Raises
    ------
    UnreadableFile
        If the content is no PDF.
    """
    if not content.startswith(b"%PDF-"):
        raise UnreadableFile(path=title, problem="does not begin as a PDF does")
    values = {"Modality": "DOC", "MIMETypeOfEncapsulatedDocument": "application/pdf"}
    made = _object(_PDF_CLASS, content, title, values, subject, source, invented)
    made.ConversionType = "WSD"
    made.BurnedInAnnotation = "YES"
    made.ConceptNameCodeSequence = []
    require_known_codes(made)
    return made


def encapsulated_stl(
    content: bytes,
    *,
    title: str,
    subject: str | None = None,
    source: SourceSeries | None = None,
    invented: bool = False,
) -> FileDataset:
    """Return a binary STL in mm as an Encapsulated STL object; see `encapsulated_pdf`.

    Raises
    ------
    UnreadableFile
        If the content is no binary STL.
    """
    count = int.from_bytes(content[80:84], "little")
    if len(content) != _STL_HEADER_BYTES + 50 * count or count == 0:
        raise UnreadableFile(path=title, problem="is no binary STL")
    values = {"Modality": "M3D", "MIMETypeOfEncapsulatedDocument": "model/stl"}
    made = _object(_STL_CLASS, content, title, values, subject, source, invented)
    frame = None if source is None else source.slices[0].get("FrameOfReferenceUID")
    made.FrameOfReferenceUID = frame or _uid("frame", content)
    made.PositionReferenceIndicator = None
    made.MeasurementUnitsCodeSequence = [_item("mm", "UCUM", "mm")]
    made.ConceptNameCodeSequence = [_coded("CANAL")]
    made.CodingSchemeIdentificationSequence = [scheme_identification()]
    made.BurnedInAnnotation = "NO"
    require_known_codes(made)
    return made


def content_of(dataset: Any) -> bytes:
    """Return the document inside an encapsulated object, without its padding."""
    content = bytes(dataset.EncapsulatedDocument)
    length = dataset.get("EncapsulatedDocumentLength")
    return content if length is None else content[: int(length)]


def _object(
    sop_class: str,
    content: bytes,
    title: str,
    values: Mapping[str, str],
    subject: str | None,
    source: SourceSeries | None,
    invented: bool,
) -> FileDataset:
    from pydicom.dataset import FileDataset, FileMetaDataset
    from pydicom.uid import UID, ExplicitVRLittleEndian, generate_uid

    series = "" if source is None else str(source.slices[0].SeriesInstanceUID)
    instance = generate_uid(entropy_srcs=[series, hashlib.sha256(content).hexdigest()])
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(sop_class)
    meta.MediaStorageSOPInstanceUID = instance
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    made = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    every = {
        "SpecificCharacterSet": "ISO_IR 192",
        "SOPClassUID": sop_class,
        "SOPInstanceUID": instance,
        **_study(content, subject, source, invented),
        "SeriesInstanceUID": _uid("series", content, series),
        "SeriesNumber": 102,
        "SeriesDescription": ("INVENTED DATA: " if invented else "") + title[:48],
        "InstanceNumber": 1,
        "Manufacturer": "Canalwright",
        "ManufacturerModelName": "Canalwright",
        "DeviceSerialNumber": "none",
        "SoftwareVersions": __version__,
        "ContentDate": "",
        "ContentTime": "",
        "AcquisitionDateTime": "",
        "DocumentTitle": title,
        "EncapsulatedDocument": content + bytes(len(content) % 2),
        "EncapsulatedDocumentLength": len(content),
        **values,
    }
    for keyword, value in every.items():
        setattr(made, keyword, value)
    return made


def _study(
    content: bytes, subject: str | None, source: SourceSeries | None, invented: bool
) -> dict[str, Any]:
    empty = (
        "StudyDate", "StudyTime", "AccessionNumber", "ReferringPhysicianName", "StudyID",
        "PatientBirthDate", "PatientSex",
    )  # fmt: skip
    if source is None:
        named = subject_values(subject, invented)
        return {**dict.fromkeys(empty, ""), **named, "StudyInstanceUID": _uid("study", content)}
    first = source.slices[0]
    kept = ("PatientName", "PatientID", "StudyInstanceUID", *empty)
    return {keyword: first.get(keyword, "") for keyword in kept}


def _uid(kind: str, content: bytes, series: str = "") -> str:
    from pydicom.uid import generate_uid

    digest = hashlib.sha256(content).hexdigest()
    return str(generate_uid(entropy_srcs=[kind, series, digest]))


def _coded(value: str) -> Any:
    code = private_code(value)
    return _item(code.value, code.scheme_designator, code.meaning)


def _item(value: str, scheme: str, meaning: str) -> Any:
    from pydicom.dataset import Dataset

    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item
