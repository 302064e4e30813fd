"""The version is a constant of the package, quick to read, and the one that is installed."""

from __future__ import annotations

from importlib.metadata import version

import canalwright


def test_the_version_is_the_installed_one() -> None:
    assert canalwright.__version__ == version("canalwright")
