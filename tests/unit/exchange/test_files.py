from __future__ import annotations

import os
from pathlib import Path

import pytest

from canalwright.errors import UsageError
from canalwright.exchange.files import StagedFiles, require_folder, require_writable


def test_nothing_appears_until_everything_is_written(tmp_path):
    with StagedFiles() as staged:
        staged.write_text(str(tmp_path / "a.json"), "1\n")
        staged.path_for(tmp_path / "sub" / "b.bin").write_bytes(b"2")
        assert not (tmp_path / "a.json").exists()
    assert (tmp_path / "a.json").read_text() == "1\n"
    assert (tmp_path / "sub" / "b.bin").read_bytes() == b"2"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.json", "sub"]
    assert [p.name for p in (tmp_path / "sub").iterdir()] == ["b.bin"]


def test_a_failure_leaves_old_files_alone_and_no_new_ones(tmp_path):
    old = tmp_path / "a.json"
    old.write_text("old")

    def fail():
        with StagedFiles() as staged:
            staged.write_text(str(old), "new")
            raise ValueError("computation broke")

    with pytest.raises(ValueError, match="computation broke"):
        fail()
    assert old.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_a_staged_file_that_was_never_written_is_an_error(tmp_path):
    def forget():
        with StagedFiles() as staged:
            staged.write_text(str(tmp_path / "a"), "1")
            staged.path_for(tmp_path / "b")

    with pytest.raises(FileNotFoundError, match="nothing was written"):
        forget()
    assert list(tmp_path.iterdir()) == []


def test_files_get_the_rights_of_ordinary_files(tmp_path):
    plain = tmp_path / "plain"
    plain.write_text("x")
    with StagedFiles() as staged:
        staged.write_text(str(tmp_path / "made"), "x")
    assert (tmp_path / "made").stat().st_mode == plain.stat().st_mode


def test_standard_output_is_a_target(capsys):
    with StagedFiles() as staged:
        staged.write_text("-", "{}\n")
        assert capsys.readouterr().out == ""
    assert capsys.readouterr().out == "{}\n"


def test_targets_are_checked_before_the_work(tmp_path):
    require_writable("-")
    require_writable(str(tmp_path / "new.json"))
    with pytest.raises(UsageError, match="does not exist"):
        require_writable(str(tmp_path / "none" / "a.json"))
    with pytest.raises(UsageError, match="is a folder"):
        require_writable(str(tmp_path))
    source = tmp_path / "canals.json"
    source.write_text("{}")
    with pytest.raises(UsageError, match="would replace the input"):
        require_writable(str(tmp_path / "." / "canals.json"), inputs=[str(source)])


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_write_permission_is_refused(tmp_path: Path):
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o500)
    with pytest.raises(UsageError, match="cannot be written to"):
        require_writable(str(closed / "a.json"))


def test_devices_are_written_to_and_stay_devices():
    with StagedFiles() as staged:
        staged.write_text("/dev/null", "gone")
    assert Path("/dev/null").is_char_device()


def test_the_file_behind_a_link_is_replaced_and_keeps_its_rights(tmp_path):
    real, link = tmp_path / "real.json", tmp_path / "link.json"
    real.write_text("old")
    real.chmod(0o600)
    link.symlink_to(real)
    with StagedFiles() as staged:
        staged.write_text(str(link), "new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    assert real.stat().st_mode & 0o777 == 0o600


def test_folders_are_checked_before_the_work(tmp_path):
    require_folder(tmp_path / "a" / "b")
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match="is a file, a folder is needed"):
        require_folder(tmp_path / "file" / "sub")
    assert [p.name for p in tmp_path.iterdir()] == ["file"]
