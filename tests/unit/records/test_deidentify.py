"""No identifying attribute survives, whatever the standard or a maker calls it."""

from __future__ import annotations

import gzip
import io
import logging
import struct
import warnings
from pathlib import Path

import numpy as np
import pydicom
import pytest
from PIL import Image, PngImagePlugin
from pydicom.datadict import DicomDictionary, dictionary_VR, keyword_dict
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

from canalwright.errors import UnreadableFile
from canalwright.records.attachments import attach, prepare_files
from canalwright.records.backup import back_up
from canalwright.records.cases import create_case
from canalwright.records.deidentify import cleaned_image
from canalwright.records.deidentify_dicom import KEPT_KEYWORDS, cleaned_dicom
from canalwright.records.nouns import AttachmentKind
from support.record_stores import *  # noqa: F403

SENTINEL = "ZQXNAME"
UID_SENTINEL = "1.2.826.0.1.987654321"

# Attributes that the basic profile of the standard (PS3.15, annex E) removes, blanks or replaces;
# the list of those that name people, places, times and devices, typed from memory.
IDENTIFYING = """
    PatientName PatientID PatientBirthDate PatientBirthTime PatientSex PatientAge PatientSize
    PatientWeight PatientAddress PatientTelephoneNumbers PatientMotherBirthName OtherPatientIDs
    OtherPatientNames OtherPatientIDsSequence EthnicGroup Occupation AdditionalPatientHistory
    PatientComments PatientReligiousPreference MilitaryRank BranchOfService CountryOfResidence
    RegionOfResidence MedicalRecordLocator ResponsiblePerson ResponsibleOrganization
    IssuerOfPatientID PatientInsurancePlanCodeSequence PatientPrimaryLanguageCodeSequence
    PregnancyStatus SmokingStatus LastMenstrualDate Allergies MedicalAlerts SpecialNeeds
    PatientState PatientInstitutionResidence CurrentPatientLocation AdmissionID AdmittingDate
    AdmittingTime AdmittingDiagnosesDescription ReferringPhysicianName
    ReferringPhysicianAddress ReferringPhysicianTelephoneNumbers PhysiciansOfRecord
    PerformingPhysicianName NameOfPhysiciansReadingStudy OperatorsName RequestingPhysician
    ScheduledPerformingPhysicianName ConsultingPhysicianName InstitutionName InstitutionAddress
    InstitutionalDepartmentName InstitutionCodeSequence StationName DeviceSerialNumber
    DeviceUID DetectorID GantryID PlateID CassetteID GeneratorID StudyDate SeriesDate
    AcquisitionDate ContentDate StudyTime SeriesTime AcquisitionTime ContentTime
    AcquisitionDateTime InstanceCreationDate InstanceCreationTime InstanceCreatorUID
    TimezoneOffsetFromUTC StudyDescription SeriesDescription ProtocolName ImageComments
    StudyComments RequestedProcedureDescription RequestedProcedureComments
    RequestedProcedureID RequestedProcedureLocation ReasonForStudy ScheduledProcedureStepID
    PerformedProcedureStepID PerformedProcedureStepDescription PerformedProcedureStepStartDate
    CommentsOnThePerformedProcedureStep AccessionNumber StudyID StudyInstanceUID
    SeriesInstanceUID SOPInstanceUID FrameOfReferenceUID SynchronizationFrameOfReferenceUID
    ReferencedSOPInstanceUID ConcatenationUID DimensionOrganizationUID PaletteColorLookupTableUID
    IrradiationEventUID ReferencedFrameOfReferenceUID StorageMediaFileSetUID UID
    RequestAttributesSequence OriginalAttributesSequence ReferencedPatientSequence
    ReferencedStudySequence ReferencedPerformedProcedureStepSequence SourceImageSequence
    PersonIdentificationCodeSequence PersonName PersonAddress PersonTelephoneNumbers
    ContentCreatorName VerifyingObserverName VerifyingOrganization VerifyingObserverSequence
    AuthorObserverSequence ParticipantSequence CustodialOrganizationSequence TextValue
    TextString TextComments GraphicAnnotationSequence IconImageSequence DigitalSignaturesSequence
    EncryptedAttributesSequence DerivationDescription AcquisitionComments
    AcquisitionDeviceProcessingDescription
    ContrastBolusAgent FrameComments LossyImageCompressionMethod ClinicalTrialSponsorName
    ClinicalTrialSubjectID ClinicalTrialSubjectReadingID ClinicalTrialSiteName
    ClinicalTrialCoordinatingCenterName InterpretationAuthor InterpretationRecorder
    InterpretationTranscriber InterpretationText DistributionName DistributionAddress
    PlacerOrderNumberImagingServiceRequest FillerOrderNumberImagingServiceRequest
    OrderEnteredBy OrderEntererLocation OrderCallbackPhoneNumber ReviewerName
    ModifyingSystem SourceOfPreviousValues SpecimenUID SpecimenAccessionNumber
    ContainerIdentifier
""".split()  # noqa: SIM905

REPLACED = {"StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID", "FrameOfReferenceUID"}
KEPT_IF_OURS = {"ImageComments"}


def sentinel_for(vr: str):
    if vr == "UI":
        return UID_SENTINEL
    if vr == "PN":
        return f"{SENTINEL}^{SENTINEL}"
    if vr in ("OB", "OW", "UN", "OF", "OD", "OL", "OV"):
        return (SENTINEL * 2).encode()
    if vr in ("AE", "CS", "LO", "LT", "SH", "ST", "UC", "UR", "UT", "DA", "DT", "TM", "AS"):
        return SENTINEL
    return None


def image_file(path: Path, more=()) -> Path:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = CTImageStorage
    meta.MediaStorageSOPInstanceUID = UID_SENTINEL
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.SourceApplicationEntityTitle = SENTINEL
    made = FileDataset("", {}, file_meta=meta, preamble=(SENTINEL.encode() * 20)[:128])
    for tag, vr, value in more:
        made.add_new(tag, vr, value)
    made.SOPClassUID, made.SOPInstanceUID = CTImageStorage, UID_SENTINEL
    made.StudyInstanceUID = made.SeriesInstanceUID = made.FrameOfReferenceUID = UID_SENTINEL
    made.Modality, made.PhotometricInterpretation = "CT", "MONOCHROME2"
    made.Rows = made.Columns = 4
    made.BitsAllocated = made.BitsStored = 16
    made.HighBit, made.PixelRepresentation, made.SamplesPerPixel = 15, 0, 1
    made.PixelSpacing = ["0.125", "0.125"]
    made.PixelData = np.arange(16, dtype="<u2").tobytes()
    made.save_as(path, enforce_file_format=True)
    return path


def everything_in_the_dictionary():
    """Yield every attribute of the dictionary with text or bytes that must not survive."""
    for tag, (vr, _, _, _, keyword) in DicomDictionary.items():
        first = vr.split(" or ")[0]
        if tag >> 16 in (0x0002, 0x0000, 0xFFFE) or keyword in ("PixelData", ""):
            continue
        if first == "SQ":
            inner = Dataset()
            inner.add_new("PatientName", "PN", f"{SENTINEL}^{SENTINEL}")
            inner.add_new("TextValue", "UT", SENTINEL)
            inner.add_new("PatientComments", "LT", SENTINEL)
            yield tag, "SQ", [inner]
        elif (value := sentinel_for(first)) is not None:
            yield tag, first, value


@pytest.fixture
def loaded(tmp_path):
    with warnings.catch_warnings(), pydicom.config.disable_value_validation():
        warnings.simplefilter("ignore")
        private = Dataset()
        private.add_new(0x00090010, "LO", SENTINEL)
        private.add_new(0x00091001, "UT", SENTINEL)
        own = [(e.tag, e.VR, e.value) for e in private]
        return image_file(tmp_path / "one.dcm", [*everything_in_the_dictionary(), *own])


def test_nothing_of_any_attribute_in_the_dictionary_survives(loaded):
    assert loaded.read_bytes().count(SENTINEL.encode()) > 3_000
    made = cleaned_dicom(loaded, name="scan", salt="s")
    assert SENTINEL.encode() not in made
    assert UID_SENTINEL.encode() not in made
    assert SENTINEL[::-1].encode() not in made
    cleaned = pydicom.dcmread(io.BytesIO(made))
    assert np.array_equal(cleaned.pixel_array.ravel(), np.arange(16))
    assert cleaned.PixelSpacing == [0.125, 0.125]
    assert not [element for element in cleaned if element.tag.is_private]


@pytest.mark.source("dicomps315", where="annex E, table E.1-1, basic profile", kind="memory")
@pytest.mark.parametrize("keyword", [k for k in IDENTIFYING if k in keyword_dict])
def test_an_identifying_attribute_of_the_standard_does_not_survive(tmp_path, keyword):
    vr = dictionary_VR(keyword)
    inner = Dataset()
    inner.add_new("PatientName", "PN", SENTINEL)
    value = [inner] if vr == "SQ" else sentinel_for(vr)
    if value is None:
        value = {"DS": "77", "IS": "77", "US": 77, "SS": 77}[vr.split(" ")[0]]
    with warnings.catch_warnings(), pydicom.config.disable_value_validation():
        warnings.simplefilter("ignore")
        path = image_file(tmp_path / "one.dcm", [(keyword_dict[keyword], vr, value)])
    made = cleaned_dicom(path, name="scan", salt="s")
    assert SENTINEL.encode() not in made
    cleaned = pydicom.dcmread(io.BytesIO(made))
    if keyword in REPLACED:
        assert cleaned[keyword].value != UID_SENTINEL
    else:
        left = str(cleaned.get(keyword, "")) if keyword not in ("PatientName", "PatientID") else ""
        assert left in ("", "None")
        assert keyword not in KEPT_KEYWORDS - KEPT_IF_OURS


def test_identifiers_are_replaced_alike_within_a_place_and_differently_elsewhere(tmp_path):
    path = image_file(tmp_path / "one.dcm")
    here, again, there = (
        pydicom.dcmread(io.BytesIO(cleaned_dicom(path, name="scan", salt=salt)))
        for salt in ("a", "a", "b")
    )
    assert here.StudyInstanceUID == again.StudyInstanceUID != there.StudyInstanceUID


def test_nothing_is_left_in_records_backups_or_logs(store, tmp_path, loaded, caplog):
    folder = tmp_path / f"{SENTINEL}^JOHN"
    folder.mkdir()
    loaded.rename(folder / f"{SENTINEL}.dcm")
    caplog.set_level(logging.DEBUG)
    prepared = prepare_files(store, [folder / f"{SENTINEL}.dcm"], AttachmentKind.SCAN)
    with store.writing() as writing:
        case = create_case(writing)
        (made,) = attach(writing, case.id, prepared, AttachmentKind.SCAN)
        history = writing.case_history(case.id)
    assert made.name == "scan.dcm"
    assert SENTINEL not in "".join(entry.payload for entry in history)
    assert SENTINEL not in caplog.text
    back_up(store, tmp_path / "one.backup")
    places = [path for path in (tmp_path / "data").rglob("*") if path.is_file()]
    assert len(places) >= 1
    for path in (*places, tmp_path / "one.backup"):
        assert SENTINEL.encode() not in path.read_bytes()


def test_errors_do_not_quote_the_file_or_its_header(store, tmp_path, caplog):
    broken = tmp_path / f"{SENTINEL}.dcm"
    image_file(broken, [(0x00100010, "PN", SENTINEL), (0x00280301, "CS", "YES")])
    with pytest.raises(UnreadableFile, match="burned into its pixels") as refused:
        prepare_files(store, [broken], AttachmentKind.SCAN)
    assert SENTINEL not in str(refused.value)
    broken.write_bytes(broken.read_bytes()[:200])
    with pytest.raises(UnreadableFile) as refused:
        prepare_files(store, [broken], AttachmentKind.SCAN)
    assert SENTINEL not in str(refused.value) + caplog.text


def picture(path: Path, kind: str) -> Path:
    image = Image.fromarray(np.arange(64, dtype=np.uint8).reshape(8, 8))
    if kind == "PNG":
        text = PngImagePlugin.PngInfo()
        text.add_text("Author", SENTINEL)
        text.add_itxt("Comment", SENTINEL)
        text.add_text("Packed", SENTINEL, zip=False)
        image.save(path, kind, pnginfo=text)
    else:
        exif = Image.Exif()
        exif[0x010E] = SENTINEL
        image.save(path, kind, exif=exif, comment=SENTINEL.encode(), quality=95)
    return path


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_pictures_keep_their_pixels_and_lose_their_text(tmp_path, kind):
    path = picture(tmp_path / "one", kind)
    assert SENTINEL.encode() in path.read_bytes()
    made = cleaned_image(path, name="radiograph", salt="s")
    assert SENTINEL.encode() not in made.content
    before, after = Image.open(path), Image.open(io.BytesIO(made.content))
    assert np.array_equal(np.asarray(before), np.asarray(after))


def nifti(packed: bool) -> bytes:
    header = bytearray(348)
    header[:4] = struct.pack("<i", 348)
    header[40:56] = struct.pack("<8h", 3, 2, 2, 2, 1, 1, 1, 1)
    header[70:74] = struct.pack("<2h", 4, 16)
    header[108:112] = struct.pack("<f", 400.0)
    header[148:155] = header[228:235] = header[328:335] = SENTINEL.encode()
    header[344:348] = b"n+1\0"
    extension = struct.pack("<4B", 1, 0, 0, 0) + struct.pack("<2i", 48, 6) + SENTINEL.encode()
    made = bytes(header) + extension.ljust(52, b" ") + np.arange(8, dtype="<i2").tobytes()
    return gzip.compress(made) if packed else made


@pytest.mark.parametrize("packed", [False, True])
def test_volumes_lose_the_text_of_their_header(tmp_path, packed):
    path = tmp_path / "one.nii"
    path.write_bytes(nifti(packed))
    content = cleaned_image(path, name="scan", salt="s").content
    plain = gzip.decompress(content) if packed else content
    assert SENTINEL.encode() not in plain
    assert plain[352:] == np.arange(8, dtype="<i2").tobytes()


def test_key_value_pairs_of_an_nrrd_file_are_left_out(tmp_path):
    path = tmp_path / "one.nrrd"
    text = (
        f"NRRD0004\n# {SENTINEL}\ntype: short\ndimension: 3\nsizes: 2 2 2\ncontent: {SENTINEL}\n"
        f"patient:={SENTINEL}\nspacings: 0.1 0.1 0.1\nencoding: raw\nendian: little\n\n"
    )
    path.write_bytes(text.encode() + np.arange(8, dtype="<i2").tobytes())
    content = cleaned_image(path, name="scan", salt="s").content
    assert SENTINEL.encode() not in content
    assert b"spacings: 0.1 0.1 0.1\n" in content
    assert content.endswith(b"\n\n" + np.arange(8, dtype="<i2").tobytes())


@pytest.mark.parametrize("content", [b"", b"plain text", b"\x89PNG\r\n\x1a\n\0\0", b"\xff\xd8\xff"])
def test_what_cannot_be_cleaned_is_refused(tmp_path, content):
    path = tmp_path / f"{SENTINEL}.png"
    path.write_bytes(content)
    with pytest.raises(UnreadableFile) as refused:
        cleaned_image(path, name="radiograph", salt="s")
    assert SENTINEL not in str(refused.value)
