"""The command line starts fast, and every documented command answers with help and examples."""

from __future__ import annotations

import os
import re
import resource
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from canalwright import __version__
from canalwright.cli.app import app

HEAVY = ("numpy", "scipy", "numba", "matplotlib", "pydantic", "pydicom", "nibabel", "typst")


def walked(command, path=()):
    """Every command there is, groups too, by the words one types."""
    found = [list(path)] if path else []
    for name, below in getattr(command, "commands", {}).items():
        found += walked(below, (*path, name))
    return found


COMMANDS = walked(typer.main.get_command(app))
GROUPS = [one for one in COMMANDS if any(other[:-1] == one for other in COMMANDS)]
LEAVES = [one for one in COMMANDS if one not in GROUPS]
# It runs until it is stopped.
WITHOUT_JSON = [["serve"]]
HELP_LIMIT_S = 0.3

run = CliRunner()


def test_starting_loads_nothing_heavy():
    code = f"import sys, canalwright.cli.app; print([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_help_answers_within_its_limit():
    """Processor time, the best of four: the wall clock also measures what else is running."""
    command = [str(Path(sys.executable).with_name("canalwright")), "--help"]
    spent = []
    for _ in range(4):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, capture_output=True, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    assert min(spent) < HELP_LIMIT_S


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_command_helps(command):
    result = run.invoke(app, [*command, "--help"])
    assert result.exit_code == 0
    assert f"Usage: canalwright {' '.join(command)}" in result.stdout
    if command in LEAVES:
        assert re.search(r"Examples?:\s+canalwright", result.stdout)


@pytest.mark.parametrize(
    "command", [one for one in LEAVES if one not in WITHOUT_JSON], ids=" ".join
)
def test_computing_commands_take_json(command):
    assert "--json" in run.invoke(app, [*command, "--help"]).stdout


def test_the_readme_names_only_commands_that_exist():
    readme = Path(__file__).parents[2] / "README.md"
    named = {
        line.split()[1]
        for line in readme.read_text("utf-8").splitlines()
        if line.startswith("canalwright ")
    }
    assert named
    assert named <= {command[0] for command in COMMANDS}


def test_version():
    assert __version__ in run.invoke(app, ["version"]).stdout
    assert __version__ in run.invoke(app, ["--version"]).stdout


@pytest.mark.parametrize(
    "wrong", [["nosuch"], ["compare"], ["compare", "a", "b", "--nosuch"], ["step", "x.json"]]
)
def test_wrong_usage_ends_with_2(wrong):
    assert run.invoke(app, wrong).exit_code == 2


def test_an_unexpected_error_is_a_sentence_unless_debugging(monkeypatch):
    def fail(*_args, **_kwargs):
        raise ValueError("something\nodd")

    monkeypatch.setattr("canalwright.instruments.standard.find_instrument", fail)
    monkeypatch.delenv("CANALWRIGHT_DEBUG", raising=False)
    result = run.invoke(app, ["compare", "hand-10-02", "hand-15-02"])
    assert result.exit_code == 1
    assert "ValueError: something odd" in result.stderr
    assert "canalwright --debug" in result.stderr
    assert "Traceback" not in result.stderr
    monkeypatch.setenv("CANALWRIGHT_DEBUG", "1")
    result = run.invoke(app, ["compare", "hand-10-02", "hand-15-02"])
    assert isinstance(result.exception, ValueError)


def test_a_reader_that_leaves_early_ends_it_quietly():
    command = f"'{Path(sys.executable).with_name('canalwright')}' instruments list | head -1"
    done = subprocess.run(
        ["sh", "-c", command], capture_output=True, text=True, check=True, env=dict(os.environ)
    )
    assert "Traceback" not in done.stderr
    assert "Instruments" in done.stdout
