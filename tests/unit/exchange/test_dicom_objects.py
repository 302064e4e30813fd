"""DICOM objects against the validator of Debian's dicom3tools and against two other readers."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from pydicom import dcmread
from pydicom.dataset import Dataset

from canalwright.errors import NotInVolume, OutOfRange, UnknownName, UnreadableFile, UsageError
from canalwright.exchange.dicom_codes import (
    PRIVATE_CODES,
    PRIVATE_SCHEME,
    private_code,
    require_known_codes,
    tooth_code,
)
from canalwright.exchange.dicom_encapsulated import content_of, encapsulated_pdf, encapsulated_stl
from canalwright.exchange.dicom_seg import dicom_segmentation
from canalwright.exchange.dicom_source import read_source_series
from canalwright.exchange.dicom_sr import dicom_report, measured_values
from canalwright.exchange.meshes_out import canal_meshes
from canalwright.exchange.segmentations_in import canals_of, read_segmentation
from canalwright.exchange.solid_files import stl_bytes
from canalwright.imaging.dicom_export import write_ct_series
from canalwright.imaging.scan import Scan
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.tube import canal_tube
from canalwright.teaching.block_canal import Bend, CanalDesign, designed_canal

highdicom = pytest.importorskip("highdicom")

VOXEL_MM = 0.15


@pytest.fixture(scope="module")
def canals():
    one = designed_canal(
        CanalDesign(length_mm=9.0, bends=(Bend(30.0, 6.0),), size=40, taper_mm_per_mm=0.04)
    )
    other = replace(one, name="second", centerline_mm=one.centerline_mm + np.array([0.0, 2.0, 0.0]))
    return one, other


@pytest.fixture(scope="module")
def scan_folder(tmp_path_factory):
    """A series that names somebody, turned against the patient's axes."""
    folder = tmp_path_factory.mktemp("scan")
    angle = np.deg2rad(12.0)
    direction = np.array(
        [[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]]
    )
    scan = Scan(
        np.arange(74 * 40 * 44, dtype=np.int16).reshape(74, 40, 44) % 100,
        (VOXEL_MM,) * 3,
        np.array([-1.2, -2.5, -10.0]),
        direction,
        oriented=True,
        invented=True,
    )
    for path in write_ct_series(scan, folder, description="test"):
        header = dcmread(path)
        header.PatientName, header.PatientID = "Made^Up", "4711"
        header.PatientBirthDate, header.StudyDate = "19700101", "20260101"
        header.PatientAddress, header.InstitutionName = "Somewhere 1", "Some practice"
        header.OtherPatientNames = "Other^Name"
        header.save_as(path)
    return folder


@pytest.fixture(scope="module")
def source(scan_folder):
    return read_source_series(scan_folder, subject="C-7F3K")


@pytest.fixture(scope="module")
def segmentation(canals, source):
    return dicom_segmentation(canals, source, tooth=36)


def saved(dataset, tmp_path, name):
    path = tmp_path / name
    dataset.save_as(path, enforce_file_format=True)
    return path


def require_valid(path):
    """Fail on any error of the validator; its warnings name our private scheme and empty dates."""
    command = shutil.which("dciodvfy")
    if command is None:
        pytest.skip("dciodvfy (Debian package dicom3tools) is not installed")
    said = subprocess.run([command, str(path)], capture_output=True, text=True, check=False)
    errors = [line for line in said.stderr.splitlines() if line.startswith(("Error", "Abort"))]
    assert errors == []


@pytest.mark.parametrize("quadrant", [1, 2, 3, 4])
def test_every_permanent_tooth_has_a_code_whose_meaning_is_that_tooth(quadrant):
    side = "right" if quadrant in (1, 4) else "left"
    jaw = "axillary" if quadrant in (1, 2) else "andibular"
    names = ("central incisor", "lateral", "canine", "first premolar", "second premolar",
             "first molar", "second molar", "third molar")  # fmt: skip
    seen = set()
    for position, name in enumerate(names, start=1):
        code = tooth_code(10 * quadrant + position)
        assert code.scheme_designator == "SCT"
        for part in (side, jaw, name):
            assert part in code.meaning.lower()
        seen.add(code.value)
    assert len(seen) == 8
    for wrong in (19, 51, 0):
        with pytest.raises(OutOfRange, match="iso3950"):
            tooth_code(wrong)


def test_private_codes_are_marked_private_and_fit_their_fields():
    assert PRIVATE_SCHEME.startswith("99")
    assert len(PRIVATE_SCHEME) <= 16
    for value, meaning in PRIVATE_CODES.items():
        assert len(value) <= 16
        assert len(meaning) <= 64
    with pytest.raises(UnknownName):
        private_code("FREE")


@pytest.mark.parametrize(
    ("value", "scheme"), [("12345", "SCT"), ("FREE", PRIVATE_SCHEME), ("cm", "UCUM"), ("1", "XYZ")]
)
def test_codes_in_no_dictionary_are_refused(value, scheme):
    item, outer = Dataset(), Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, "?"
    outer.ConceptNameCodeSequence = [item]
    with pytest.raises(UnknownName):
        require_known_codes(outer)


def test_segmentation_is_valid(segmentation, tmp_path):
    require_valid(saved(segmentation, tmp_path, "seg.dcm"))


def test_segmentation_reads_back_equal_in_two_readers(segmentation, canals, tmp_path):
    import SimpleITK as sitk

    path = saved(segmentation, tmp_path, "seg.dcm")
    image = highdicom.seg.segread(path)
    assert [image.get_segment_description(n).segment_label for n in image.segment_numbers] == [
        "canal", "second", "pulp",
    ]  # fmt: skip
    volume = image.get_volume()
    for at, canal in enumerate(canals):
        model = canal_tube(CanalAxis.of(canal), canal.radius_mm).volume_mm3
        found = volume.array[..., at].sum() * VOXEL_MM**3
        assert found == pytest.approx(model, rel=0.005)
    frames = image.pixel_array
    other = sitk.GetArrayFromImage(sitk.ReadImage(str(path)))
    assert np.array_equal(frames, other)


def test_segmentation_stands_where_the_canal_is(segmentation, canals, tmp_path):
    found = canals_of(
        read_segmentation(saved(segmentation, tmp_path, "seg.dcm")),
        names={"canal": "a", "second": "b"},
    )
    for one, truth in zip(found, canals, strict=True):
        assert one.provenance.invented
        assert one.length_mm == pytest.approx(truth.length_mm, abs=0.1)
        away = np.linalg.norm(one.centerline_mm[:, None] - truth.centerline_mm[None], axis=2)
        assert away.min(axis=1).max() < 0.06
        wanted = np.interp(one.level_mm, truth.level_mm, truth.diameter_mm)
        assert np.abs(one.diameter_mm - wanted).max() < 0.03


def test_nobody_is_named_unless_asked_for(canals, scan_folder, segmentation, source):
    report = dicom_report(canals, source, segmentation=segmentation)
    stl = encapsulated_stl(stl_bytes(canal_meshes(canals)), title="canals", source=source)
    for made in (segmentation, report, stl):
        text = str(made)
        assert made.PatientID == "C-7F3K"
        for secret in ("Made", "4711", "1970", "Somewhere", "Some practice", "Other^Name"):
            assert secret not in text
    asked = read_source_series(scan_folder, keep_identity=True)
    assert dicom_segmentation(canals[:1], asked).PatientID == "4711"


def test_canals_outside_the_scan_and_no_canals(canals, source):
    away = replace(canals[0], centerline_mm=canals[0].centerline_mm + 50.0)
    with pytest.raises(NotInVolume):
        dicom_segmentation([away], source)
    with pytest.raises(UsageError):
        dicom_segmentation([], source)


def test_report_is_valid_and_reads_back(canals, source, segmentation, tmp_path):
    made = dicom_report(canals, source, tooth=36, segmentation=segmentation)
    path = saved(made, tmp_path, "sr.dcm")
    require_valid(path)
    content = highdicom.sr.srread(path).content
    groups = content.get_volumetric_roi_measurement_groups()
    assert [group.tracking_identifier for group in groups] == ["canal", "second"]
    for group, canal in zip(groups, canals, strict=True):
        values = {one.name.value: one.value for one in group.get_measurements()[::-1]}
        assert values["410668003"] == pytest.approx(canal.length_mm, abs=1e-4)
        for code, value, sd in measured_values(canal, (0, 1, 2, 3, 5, 8)):
            if code.startswith("DIAMETER"):
                assert values[code] == pytest.approx(value, abs=1e-4)
                assert sd == 0.0
    assert made.PreliminaryFlag == "PRELIMINARY"
    assert made.VerificationFlag == "UNVERIFIED"
    with pytest.raises(UsageError, match="not of these"):
        dicom_report(canals[::-1], source, segmentation=segmentation)


def test_report_without_segmentation_is_valid(canals, source, tmp_path):
    require_valid(saved(dicom_report(canals[:1], source), tmp_path, "sr.dcm"))


@pytest.mark.parametrize("with_scan", [True, False])
def test_encapsulated_documents_are_valid_and_come_out_equal(canals, source, with_scan, tmp_path):
    pdf, stl = b"%PDF-1.7\n%%EOF", stl_bytes(canal_meshes(canals))
    used = source if with_scan else None
    for name, content, build in (("p", pdf, encapsulated_pdf), ("s", stl, encapsulated_stl)):
        made = build(content, title="canals", subject="C-1", source=used, invented=True)
        path = saved(made, tmp_path, f"{name}.dcm")
        require_valid(path)
        assert content_of(dcmread(path)) == content
    odd = encapsulated_pdf(b"%PDF-1.7\n%%EOF ", title="odd")
    assert content_of(odd) == b"%PDF-1.7\n%%EOF "


def test_what_is_no_pdf_and_no_stl():
    with pytest.raises(UnreadableFile):
        encapsulated_pdf(b"hello", title="x")
    with pytest.raises(UnreadableFile):
        encapsulated_stl(b"solid x", title="x")


def test_a_folder_without_slices(tmp_path):
    with pytest.raises(UnreadableFile, match="0 series"):
        read_source_series(tmp_path)
