from __future__ import annotations

import csv
import io
import json
from dataclasses import replace

import pytest

from canalwright.records import Store
from canalwright.records.case_folder import case_export, csv_text, write_case
from canalwright.records.case_import import compare, import_case, read_case_folder
from canalwright.records.cases import amend_case, create_case, find_case, open_case
from canalwright.records.doctor import examine
from canalwright.records.errors import DamagedBackup, ImportConflict, StoreUnavailable
from canalwright.records.visits import add_recall, amend_event
from support.record_samples import record_everything
from support.record_stores import *  # noqa: F403


@pytest.fixture
def other(tmp_path):
    """Records in another place, with one full case."""
    made = Store.open(tmp_path / "other", clock=SteppingClock())  # noqa: F405
    record_everything(made, tmp_path)
    yield made
    made.close()


def exported(store, folder, more=None):
    with store.reading() as reading:
        case = find_case(reading, "C-FULL")
        write_case(reading, case_export(reading, case.id), folder, more)
    return folder


def test_a_case_comes_over_whole_and_only_once(store, other, tmp_path):
    incoming = read_case_folder(exported(other, tmp_path / "out"))
    report = import_case(store, incoming, actor="bo")
    assert report.conflicts == []
    with store.reading() as here, other.reading() as there:
        case_id = incoming.export.case.id
        one, two = open_case(here, case_id), open_case(there, case_id)
        assert (one.case, one.teeth, one.visits) == (two.case, two.teeth, two.visits)
        assert (one.events, one.recalls) == (two.events, two.recalls)
        assert {a.name for a in one.attachments} == {"file.txt", "imported-history.jsonl"}
        head = here.head()
        assert {entry.operation for entry in here.case_history(case_id)} == {"import", "create"}
    again = import_case(store, incoming)
    assert not again.changes
    with store.reading() as here:
        assert here.head() == head
    assert examine(store).sound


def test_a_case_that_went_on_elsewhere_is_brought_up_to_date(store, other, tmp_path):
    import_case(store, read_case_folder(exported(other, tmp_path / "first")))
    with other.writing("cy") as writing:
        opened_case = open_case(writing, find_case(writing, "C-FULL").id)
        amend_event(writing, replace(opened_case.events[2], to_level_mm=1.0), reason="misread")
        add_recall(writing, opened_case.case.id, on_date="2027-01-02", periapical_index=1)
    report = import_case(store, read_case_folder(exported(other, tmp_path / "second")))
    assert (len(report.newer), len(report.new), report.conflicts) == (1, 1, [])
    with store.reading() as reading:
        assert reading.find(type(opened_case.events[2]), to_level_mm=1.0)
    assert examine(store).sound


def test_changes_in_both_places_are_a_conflict_and_nothing_is_written(store, other, tmp_path):
    import_case(store, read_case_folder(exported(other, tmp_path / "first")))
    for place, label in ((store, "mine"), (other, "theirs")):
        with place.writing() as writing:
            case = find_case(writing, "C-FULL")
            amend_case(writing, replace(case, label=label), reason="better words")
    with other.writing() as writing:
        add_recall(writing, case.id, on_date="2027-01-02", periapical_index=1)
    incoming = read_case_folder(exported(other, tmp_path / "second"))
    with store.reading() as reading:
        head = reading.head()
        assert len(compare(reading, incoming).conflicts) == 1
    with pytest.raises(ImportConflict, match=r"changed here .* and there .* Nothing was imported"):
        import_case(store, incoming)
    with store.reading() as reading:
        assert reading.head() == head
    import_case(store, incoming, keep_mine=True)
    with store.reading() as reading:
        opened_case = open_case(reading, case.id)
    assert opened_case.case.label == "mine"
    assert len(opened_case.recalls) == 2
    assert examine(store).sound


def test_a_name_that_is_taken_is_a_conflict(store, other, tmp_path):
    with store.writing() as writing:
        create_case(writing, pseudonym="C-FULL")
    incoming = read_case_folder(exported(other, tmp_path / "out"))
    for keep_mine in (False, True):
        with pytest.raises(ImportConflict, match="another case here is called C-FULL"):
            import_case(store, incoming, keep_mine=keep_mine)


def test_an_export_reads_without_the_program(other, tmp_path):
    folder = exported(other, tmp_path / "out", {"case.pdf": b"%PDF-"})
    rows = list(csv.DictReader(io.StringIO((folder / "events.csv").read_text())))
    assert [(row["event_kind"], row["tooth"]) for row in rows] == [
        ("instrument", "36"), ("irrigation", "36"), ("ledge", "36"),
    ]  # fmt: skip
    assert rows[0]["code"] == "C-FULL-1"
    assert json.loads((folder / "case.json").read_text())["schema"] == "canalwright/case@1"
    (document,) = (folder / "documents").iterdir()
    assert json.loads(document.read_text())["canals"] == [{"name": "MB"}]
    assert "SHA-256" in (folder / "README.txt").read_text()
    assert (folder / "case.pdf").read_bytes() == b"%PDF-"
    with pytest.raises(StoreUnavailable, match="something already"):
        exported(other, folder)
    assert not list(tmp_path.glob(".*"))


def test_text_that_a_spreadsheet_would_run_is_disarmed():
    made = csv_text(["a", "b"], [{"a": "=HYPERLINK(1)", "b": -2.5}, {"a": "@x", "b": None}])
    assert made == "a,b\n'=HYPERLINK(1),-2.5\n'@x,\n"


def change(folder, name, old, new):
    path = folder / name
    path.write_bytes(path.read_bytes().replace(old, new))


BROKEN = {
    "changed text": (lambda f: change(f, "case.json", b"molar", b"tooth"), "case.json in it was"),
    "changed file": (lambda f: next(f.glob("files/*/*")).write_text("x"), "in it was changed"),
    "missing file": (lambda f: next(f.glob("documents/*")).unlink(), "cannot be read"),
    "no manifest": (lambda f: (f / "manifest.json").unlink(), "cannot be read"),
    "way out": (
        lambda f: change(f, "manifest.json", b'"README.txt"', b'"../../etc/passwd"'),
        "leads out of it",
    ),
    "absolute": (
        lambda f: change(f, "manifest.json", b'"README.txt"', b'"/etc/passwd"'),
        "leads out of it",
    ),
    "no JSON": (lambda f: (f / "manifest.json").write_text("{"), "is not JSON"),
    "deep": (lambda f: (f / "manifest.json").write_text("[" * 100_000), "is not JSON"),
}


@pytest.mark.parametrize("what", BROKEN)
def test_a_folder_that_is_not_as_it_was_written_is_refused(other, tmp_path, what):
    folder = exported(other, tmp_path / "out")
    break_it, sentence = BROKEN[what]
    break_it(folder)
    with pytest.raises(DamagedBackup, match=sentence):
        read_case_folder(folder)


def test_a_link_out_of_the_folder_is_refused(other, tmp_path):
    folder = exported(other, tmp_path / "out")
    (folder / "README.txt").unlink()
    (folder / "README.txt").symlink_to("/etc/hostname")
    with pytest.raises(DamagedBackup, match="leads out of the folder"):
        read_case_folder(folder)
