from __future__ import annotations

import pytest

from canalwright.cli.writing import check_targets
from canalwright.errors import UsageError


def test_one_file_under_two_names_is_refused(tmp_path):
    (tmp_path / "in").mkdir()
    with pytest.raises(UsageError, match="Two results"):
        check_targets(str(tmp_path / "a.json"), str(tmp_path / "in" / ".." / "a.json"))


def test_a_file_that_is_to_be_a_folder_too_is_refused(tmp_path):
    with pytest.raises(UsageError, match="both a file and a folder"):
        check_targets(str(tmp_path / "a"), folder=tmp_path / "a")
    assert not (tmp_path / "a").exists()


def test_results_in_places_of_their_own_pass(tmp_path):
    check_targets(str(tmp_path / "a.json"), tmp_path / "b.pdf", None, folder=tmp_path / "c")
