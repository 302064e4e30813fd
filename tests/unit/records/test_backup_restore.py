from __future__ import annotations

import json
import random
import zipfile
from pathlib import Path

import pytest
from sqlalchemy import text

from canalwright.errors import MalformedText
from canalwright.records import Store, database
from canalwright.records.archive import opened
from canalwright.records.backup import back_up, check_backup
from canalwright.records.cases import create_case, find_case, list_cases, open_case
from canalwright.records.doctor import examine
from canalwright.records.encryption import CHUNK_BYTES, DecryptingReader, EncryptingWriter
from canalwright.records.errors import (
    DamagedBackup,
    DamagedRecords,
    RecordsError,
    StoreUnavailable,
    WrongPassphrase,
    WrongSchema,
)
from canalwright.records.migrating import HEAD, REVISIONS, alembic_config, migrate_connection
from canalwright.records.restore import insert_tables, restore
from support.record_samples import canals_text, record_everything
from support.record_stores import *  # noqa: F403

LAYOUTS = Path(__file__).parent / "layouts"


@pytest.fixture
def full(store, tmp_path):
    return record_everything(store, tmp_path)


@pytest.fixture
def new_place(tmp_path, database_url, request):
    """A place to restore into, of the same kind as the store's."""
    url = (
        None if database_url is None else request.getfixturevalue("postgres_server").new_database()
    )
    return tmp_path / "restored", url


def test_a_backup_restores_everything_and_is_sound(store, full, tmp_path, new_place):
    backup = back_up(store, tmp_path / "one.backup")
    restore(backup.path, *new_place)
    again = Store.open(*new_place)
    with store.reading() as one, again.reading() as other:
        assert open_case(one, full.id) == open_case(other, full.id)
        assert one.head() == other.head()
        assert one.case_history(full.id) == other.case_history(full.id)
    found = examine(again)
    assert found.sound, found.faults
    assert (found.cases, found.files, found.orphans) == (1, 2, ())
    again.close()


def test_records_move_from_one_database_to_the_other(tmp_path, postgres_server):
    if isinstance(postgres_server, str):
        pytest.skip(postgres_server)
    places = [
        (tmp_path / "a", None),
        (tmp_path / "b", postgres_server.new_database()),
        (tmp_path / "c", None),
    ]
    first = Store.open(*places[0])
    case = record_everything(first, tmp_path)
    store, heads = first, []
    for at, place in enumerate(places[1:]):
        back_up(store, tmp_path / f"{at}.backup")
        store.close()
        restore(tmp_path / f"{at}.backup", *place)
        store = Store.open(*place)
        assert examine(store).faults == ()
        with store.reading() as reading:
            heads.append(reading.head())
            assert open_case(reading, case.id).events[0].damage == [[0.0, 0.0], [4.0, 0.031]]
    assert heads[0] == heads[1]
    store.close()


def test_a_backup_is_one_state_while_others_write(store, full, tmp_path, new_place, monkeypatch):
    """A case that is recorded after the backup began is not in it, nor half of it."""
    import canalwright.records.backup as module

    original, written = module._write_files, []

    def and_meanwhile(*arguments):
        with store.writing() as writing:
            written.append(create_case(writing, pseudonym="C-LATE"))
        return original(*arguments)

    monkeypatch.setattr(module, "_write_files", and_meanwhile)
    restore(back_up(store, tmp_path / "one.backup").path, *new_place)
    again = Store.open(*new_place)
    with again.reading() as reading:
        assert [line.case.pseudonym for line in list_cases(reading).lines] == ["C-FULL"]
    with store.reading() as reading:
        assert find_case(reading, "C-LATE") == written[0]
    again.close()


def test_restoring_never_touches_what_is_there(store, full, tmp_path, database_url):
    backup = back_up(store, tmp_path / "one.backup")
    with pytest.raises(StoreUnavailable, match="something in it already"):
        restore(backup.path, tmp_path / "data", database_url)
    if database_url is not None:
        with pytest.raises(StoreUnavailable, match="there are records in it already"):
            restore(backup.path, tmp_path / "elsewhere", database_url)
        assert not (tmp_path / "elsewhere").exists()
    assert examine(store).sound
    assert not list(tmp_path.glob(".*"))


def test_a_backup_never_replaces_a_file(store, full, tmp_path):
    back_up(store, tmp_path / "one.backup")
    before = (tmp_path / "one.backup").read_bytes()
    with pytest.raises(StoreUnavailable, match="a file already"):
        back_up(store, tmp_path / "one.backup")
    assert (tmp_path / "one.backup").read_bytes() == before


def test_every_damaged_byte_of_a_backup_is_noticed(tmp_path):
    store = Store.open(tmp_path / "data")
    record_everything(store, tmp_path)
    path = back_up(store, tmp_path / "one.backup").path
    content = path.read_bytes()
    seeded = random.Random(7)
    undetected = 0
    for at in seeded.sample(range(len(content)), 30):
        damaged = bytearray(content)
        damaged[at] ^= 0xFF
        path.write_bytes(damaged)
        try:
            check_backup(path)
        except RecordsError:
            continue
        # Dates and names in the zip's own lists carry nothing; what is restored must be equal.
        undetected += 1
        restore(path, tmp_path / f"r{at}")
        again = Store.open(tmp_path / f"r{at}")
        with store.reading() as one, again.reading() as other:
            assert one.head() == other.head()
        assert examine(again).sound
        again.close()
    assert undetected < 12
    for length in (0, 10, len(content) // 2, len(content) - 1):
        path.write_bytes(content[:length])
        with pytest.raises(DamagedBackup):
            check_backup(path)
    store.close()


def test_a_backup_with_a_changed_journal_is_refused(store, full, tmp_path, new_place):
    """Even if every digest in it was made to fit."""
    path = back_up(store, tmp_path / "one.backup").path
    forged = tmp_path / "forged.backup"
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(forged, "w") as sink:
        manifest = json.loads(source.read("manifest.json"))
        for name in source.namelist():
            content = source.read(name)
            if name == "tables/journal.jsonl":
                content = content.replace(b"Invented molar", b"Somebody else!")
                from hashlib import sha256

                manifest["tables"]["journal"]["sha256"] = sha256(content).hexdigest()
            if name != "manifest.json":
                sink.writestr(name, content)
        sink.writestr("manifest.json", json.dumps(manifest))
    with pytest.raises(DamagedBackup, match="changed after it was written"):
        check_backup(forged)
    with pytest.raises(RecordsError):
        restore(forged, *new_place)
    assert not new_place[0].exists()


def test_a_missing_file_is_said_and_the_rest_can_still_be_saved(store, full, tmp_path, new_place):
    digest = next(store.files.digests())
    store.files.path(digest).unlink()
    assert any("is missing" in fault for fault in examine(store).faults)
    with pytest.raises(DamagedRecords, match="missing or damaged"):
        back_up(store, tmp_path / "one.backup")
    assert not (tmp_path / "one.backup").exists()
    backup = back_up(store, tmp_path / "one.backup", allow_damage=True)
    restore(backup.path, *new_place)
    again = Store.open(*new_place)
    with again.reading() as reading:
        assert len(open_case(reading, full.id).events) == 3
    again.close()


@pytest.mark.parametrize("layout", REVISIONS[:-1])
def test_records_of_an_earlier_layout_are_brought_up_to_date(
    layout, tmp_path, database_url, new_place
):
    path = LAYOUTS / f"{layout}.canalwright-backup"
    folder, url = tmp_path / "old", database_url
    engine = database.engine_at(folder, url)
    folder.mkdir()
    with opened(path) as archive:
        from canalwright.records.blobs import FileShelf

        for digest in archive.manifest.files:
            archive.copy_file(digest, FileShelf(folder / "files"))
        with database.write(engine) as connection:
            migrate_connection(connection, layout)
            insert_tables(archive, connection)
    engine.dispose()
    if url is not None:
        with pytest.raises(WrongSchema, match="doctor --migrate"):
            Store.open(folder, url)
    store = Store.open(folder, url, migrate=True)
    _check_first_case(store)
    (backup,) = (folder / "backups").iterdir()
    assert check_backup(backup).layout == layout
    store.close()


@pytest.mark.parametrize("layout", REVISIONS[:-1])
def test_a_backup_of_an_earlier_layout_is_restored_up_to_date(layout, new_place):
    restore(LAYOUTS / f"{layout}.canalwright-backup", *new_place)
    store = Store.open(*new_place)
    _check_first_case(store)
    store.close()


def _check_first_case(store):
    found = examine(store)
    assert found.sound, found.faults
    assert found.layout == HEAD
    with store.reading() as reading:
        (line,) = list_cases(reading, search="molar first 36").lines
        opened_case = open_case(reading, line.case.id)
    assert line.case.pseudonym == "C-FIRST"
    assert [event.event_kind for event in opened_case.events] == [
        "instrument", "irrigation", "ledge",
    ]  # fmt: skip
    assert opened_case.recalls[0].periapical_index == 2


def test_records_of_a_newer_program_are_left_alone(store, open_store):
    with database.write(store.engine) as connection:
        connection.execute(text("UPDATE records_layout SET version_num = '9999'"))
    with pytest.raises(WrongSchema, match="newer version"):
        open_store()


def test_the_list_of_layouts_is_that_of_the_migrations():
    from alembic.script import ScriptDirectory

    scripts = ScriptDirectory.from_config(alembic_config())
    assert tuple(s.revision for s in scripts.walk_revisions())[::-1] == REVISIONS


def test_an_encrypted_backup_opens_with_its_passphrase_only(store, full, tmp_path, new_place):
    backup = back_up(store, tmp_path / "one.backup", passphrase="correct horse")
    content = backup.path.read_bytes()
    assert b"journal" not in content
    assert b"C-FULL" not in content
    for wrong in ("", "correct  horse"):
        with pytest.raises(WrongPassphrase, match="this passphrase does not open the backup"):
            restore(backup.path, *new_place, passphrase=wrong)
    assert not new_place[0].exists()
    restore(backup.path, *new_place, passphrase="correct horse")
    again = Store.open(*new_place)
    assert examine(again).sound
    again.close()


def test_a_short_passphrase_is_refused_and_not_shown(store, tmp_path):
    with pytest.raises(MalformedText, match="at least 8 characters") as refused:
        back_up(store, tmp_path / "one.backup", passphrase="secret")
    assert "secret" not in str(refused.value)
    assert not list(tmp_path.glob("*one.backup*"))


@pytest.mark.parametrize("size", [0, 1, CHUNK_BYTES, CHUNK_BYTES + 1, 3 * CHUNK_BYTES])
def test_what_was_encrypted_is_read_back_from_anywhere(tmp_path, size):
    content = random.Random(size).randbytes(size)
    path = tmp_path / "sealed"
    with path.open("wb") as sink:
        writer = EncryptingWriter(sink, "long enough")
        for start in range(0, size, 10_000):
            writer.write(content[start : start + 10_000])
        writer.finish()
    reader = DecryptingReader(path, "long enough")
    assert reader.read() == content
    for start in (0, size // 2, max(size - 3, 0)):
        reader.seek(start)
        assert reader.read(7) == content[start : start + 7][: CHUNK_BYTES - start % CHUNK_BYTES]
    reader.close()


def test_chunks_that_are_cut_swapped_or_changed_are_noticed(tmp_path):
    path = tmp_path / "sealed"
    with path.open("wb") as sink:
        writer = EncryptingWriter(sink, "long enough")
        writer.write(bytes(3 * CHUNK_BYTES + 5))
        writer.finish()
    sealed, head, chunk = path.read_bytes(), 48, CHUNK_BYTES + 16
    parts = [sealed[head + at * chunk : head + (at + 1) * chunk] for at in range(4)]
    flipped = bytes([parts[2][0] ^ 1]) + parts[2][1:]
    for kept in (
        parts[:3],
        [parts[0], parts[2], parts[1], parts[3]],
        [parts[0], parts[1], flipped, parts[3]],
    ):
        path.write_bytes(sealed[:head] + b"".join(kept))
        with pytest.raises(DamagedBackup):
            DecryptingReader(path, "long enough").read()


def test_attached_twice_is_kept_once(store, full):
    from canalwright.records.documents import add_document

    with store.writing() as writing:
        one = add_document(writing, canals_text(), name="again.json", case_id=full.id)
        assert one.name == "canals.json"
    assert examine(store).files == 2
