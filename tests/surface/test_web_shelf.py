"""The shelf of cases: found by content, stored by content, nothing outside its folder."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from canalwright.errors import UnknownName, UnreadableFile
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.web import shelf as shelf_module
from canalwright.web.scans import ScanImages
from canalwright.web.shelf import Shelf


@pytest.fixture(scope="module")
def content(canal) -> bytes:
    return document_text(canals_document((canal,), {"seed": 1})).encode()


def test_documents_of_canals_are_found_and_others_passed_over(tmp_path, content):
    (tmp_path / "canals.json").write_bytes(content)
    (tmp_path / "plan.json").write_text('{"schema": "canalwright/plan@1"}')
    (tmp_path / "notes.json").write_text("not json, though it says canalwright/canals@1")
    (tmp_path / "demo").mkdir()
    (tmp_path / "demo" / "other.json").write_bytes(content + b"\n")
    listing = Shelf(tmp_path).listing()
    assert [case.name for case in listing.cases] == ["canals.json", str(Path("demo/other.json"))]
    assert listing.faults == ()
    assert listing.cases[0].invented
    assert listing.cases[0].canals[0].name == "mesiobuccal"


def test_a_case_is_addressed_by_its_content(tmp_path, content):
    (tmp_path / "canals.json").write_bytes(content)
    digest = hashlib.sha256(content).hexdigest()
    shelf = Shelf(tmp_path)
    assert shelf.find(digest[:16]).digest == digest
    for key in ("", "../canals", digest[:15], "canals.json", "/etc/passwd"):
        with pytest.raises(UnknownName):
            shelf.find(key)


def test_a_changed_file_gets_a_new_address(tmp_path, content):
    path = tmp_path / "canals.json"
    path.write_bytes(content)
    shelf = Shelf(tmp_path)
    before = shelf.listing().cases[0].key
    path.write_bytes(content + b"   ")
    (after,) = shelf.listing().cases
    assert after.key != before
    with pytest.raises(UnknownName, match="may have changed"):
        shelf.find(before)


def test_a_faulty_document_is_listed_with_its_fault(tmp_path, content):
    document = json.loads(content)
    document["canals"][0]["level_mm"][0] = 1.0
    (tmp_path / "faulty.json").write_text(json.dumps(document))
    listing = Shelf(tmp_path).listing()
    assert listing.cases == ()
    (fault,) = listing.faults
    assert fault.startswith("faulty.json: canals[0] has level_mm[0] = 1")
    assert str(tmp_path) not in fault


def test_links_out_of_the_folder_and_hidden_files_are_not_followed(tmp_path, content):
    inside, outside = tmp_path / "in", tmp_path / "out"
    inside.mkdir()
    outside.mkdir()
    (outside / "canals.json").write_bytes(content)
    (inside / "link.json").symlink_to(outside / "canals.json")
    (inside / "folder").symlink_to(outside)
    (inside / ".hidden.json").write_bytes(content)
    assert Shelf(inside).listing().cases == ()


@pytest.mark.parametrize(
    "name",
    ["case one.json", "../../evil.json", "..\\..\\evil.json", "/etc/cron.json", ".json", "", "ä/ö"],
)
def test_an_upload_stays_in_the_folder(tmp_path, content, name):
    folder = tmp_path / "shelf"
    folder.mkdir()
    case = Shelf(folder).take_in(name, content)
    assert case.path.parent == folder
    assert case.path.read_bytes() == content
    assert case.path.stem.endswith(case.digest[:8])
    assert [path.name for path in tmp_path.rglob("*.json")] == [case.path.name]


def test_the_same_document_is_taken_in_once(tmp_path, content):
    shelf = Shelf(tmp_path)
    first = shelf.take_in("a.json", content)
    assert shelf.take_in("b.json", content) is first
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "not JSON"),
        (b"{}", "it has no 'schema'"),
        (b"\xff\xfe", "not UTF-8"),
        (b'{"schema": "canalwright/plan@1"}', "'canalwright/canals@1' is needed"),
        (b"[" * 100_000, "nested too deeply"),
    ],
)
def test_an_upload_that_is_no_canals_document_is_refused(tmp_path, content, says):
    with pytest.raises(UnreadableFile, match=r"^mine\.json: ") as caught:
        Shelf(tmp_path).take_in("mine.json", content)
    assert says in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_an_oversized_upload_is_refused(tmp_path, content, monkeypatch):
    monkeypatch.setattr(shelf_module, "LARGEST_UPLOAD_BYTES", 1000)
    with pytest.raises(UnreadableFile, match="larger than"):
        Shelf(tmp_path).take_in("mine.json", content)
    assert list(tmp_path.iterdir()) == []


def test_a_scan_elsewhere_or_another_one_is_not_opened(tmp_path, content, canal):
    shelf = Shelf(tmp_path)
    case = shelf.take_in("a.json", content)
    assert ScanImages(tmp_path).along(case.key, case.path, canal) is None
    (tmp_path / canal.provenance.source).write_text("not the scan it was measured from")
    assert ScanImages(tmp_path).along(case.key, case.path, canal) is None
