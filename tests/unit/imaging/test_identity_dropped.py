"""Nothing in a DICOM header that may tell a person goes any farther than its reader.

PS3.15, Table E.1-1 (Basic Application Level Confidentiality Profile; from memory) lists some
hundreds of attributes. Here every attribute of the data dictionary that holds words, names,
dates, times, ages or identifiers is filled in, which covers all of the table that is text.
"""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pydicom
import pytest
from pydicom.datadict import DicomDictionary

from canalwright.exchange.inputs import scan_input
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.radiograph import read_radiograph
from canalwright.imaging.readers import read_scan
from canalwright.imaging.scan import Scan

WORDS = {
    "PN": "QZXJ^WVKY",
    **dict.fromkeys(("LO", "SH", "ST", "LT", "UT", "UC", "UR"), "QZXJWVKY"),
    "DA": "19271113",
    "TM": "231947.77",
    "DT": "19271113231947",
    "AS": "097Y",
    "UI": "1.2.3.19271113.231947",
}
"""Values that stand nowhere else."""
TRACES = ("QZXJ", "WVKY", "19271113", "231947", "097Y")

# What the readers need to find and place the picture.
NEEDED = {
    "SOPClassUID", "SOPInstanceUID", "SeriesInstanceUID", "SpecificCharacterSet", "RescaleType",
    "TransferSyntaxUID",
}  # fmt: skip

# A few of the table by name, against a dictionary that lost them.
LISTED = (
    "PatientName", "PatientID", "PatientBirthDate", "PatientAge", "PatientAddress",
    "PatientTelephoneNumbers", "OtherPatientIDs", "PatientMotherBirthName", "MilitaryRank",
    "ReferringPhysicianName", "PerformingPhysicianName", "OperatorsName", "InstitutionName",
    "InstitutionAddress", "StationName", "DeviceSerialNumber", "AccessionNumber", "StudyDate",
    "StudyTime", "StudyDescription", "SeriesDescription", "StudyID", "ProtocolName",
    "FrameOfReferenceUID", "StudyInstanceUID", "PatientComments", "RequestedProcedureDescription",
)  # fmt: skip


def filled():
    values = {}
    for _, (kind, many, _, retired, keyword) in sorted(DicomDictionary.items()):
        single = many.startswith("1") or many.endswith("n")
        if keyword and kind in WORDS and single and keyword not in NEEDED and not retired:
            values[keyword] = WORDS[kind]
    return values


@pytest.fixture(scope="module")
def values():
    return filled()


def test_all_kinds_of_identifying_attributes_are_tried(values):
    assert len(values) > 800
    retired_or_tried = {*values, *(entry[4] for entry in DicomDictionary.values() if entry[3])}
    assert set(LISTED) <= retired_or_tried


def spoiled(path, values, **more):
    dataset = pydicom.dcmread(path)
    keep = {
        "ImageType", "Modality", "PhotometricInterpretation", "ImageOrientationPatient",
        "ImagePositionPatient",
    }  # fmt: skip
    for keyword, value in values.items():
        tag = pydicom.datadict.tag_for_keyword(keyword)
        if keyword not in keep and tag >> 16 not in (0, 2, 4) and (tag & 0xFFFF) > 0:
            setattr(dataset, keyword, value)
    for keyword, value in more.items():
        setattr(dataset, keyword, value)
    dataset.save_as(path)


def assert_nothing_kept(text):
    assert [trace for trace in TRACES if trace in text] == []


def test_a_scan_its_document_and_its_copy_keep_nothing(tmp_path, values):
    voxels = np.random.default_rng(5).integers(-900, 2000, (4, 9, 8)).astype(np.int16)
    scan = Scan(voxels=voxels, spacing_mm=(0.2, 0.2, 0.2), oriented=True)
    paths = write_ct_series(scan, tmp_path / "in", description="d")
    for path in paths:
        spoiled(path, values)
    extra = paths[0].with_name("extra")
    extra.write_bytes(paths[0].read_bytes())
    spoiled(extra, {}, SeriesInstanceUID="1.2.3.4", Modality="DX")
    assert any(trace.encode() in paths[0].read_bytes() for trace in TRACES)
    again = read_scan(tmp_path / "in")
    assert [caution.code for caution in again.cautions] == ["OTHER_SERIES"]
    assert_nothing_kept(repr({**vars_of(again), "voxels": ""}))
    assert_nothing_kept(json.dumps(scan_input(again), default=str))
    for path in write_ct_series(again, tmp_path / "out", description="copy"):
        assert_nothing_kept(path.read_bytes().decode("latin-1"))


def test_a_radiograph_keeps_nothing(tmp_path, values):
    voxels = np.random.default_rng(5).integers(0, 2000, (2, 60, 50)).astype(np.int16)
    scan = Scan(voxels=voxels, spacing_mm=(0.2, 0.2, 0.2), oriented=True)
    path = write_ct_series(scan, tmp_path / "in", description="d")[0]
    spoiled(path, values, Modality="IO", PixelIntensityRelationship="LIN", PresentationLUTShape="")
    assert_nothing_kept(repr({**vars_of(read_radiograph(path)), "pixels": ""}))


def vars_of(noun):
    return {field.name: getattr(noun, field.name) for field in dataclasses.fields(noun)}
