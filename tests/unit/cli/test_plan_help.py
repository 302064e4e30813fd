from __future__ import annotations

from typer.testing import CliRunner

from canalwright.cli.app import app


def _help(command: str) -> str:
    found = CliRunner().invoke(app, [command, "--help"])
    assert found.exit_code == 0
    return " ".join(found.stdout.replace("│", " ").split())


def test_planning_again_says_what_to_give_and_that_the_canal_is_computed():
    text = _help("replan")
    for option in ("--done", "--block-level-mm", "--discard", "--working-length-mm"):
        assert option in text
    assert "computed, not measured" in text


def test_limits_say_how_to_set_ones_own():
    text = _help("limits")
    assert "write a template" in text
    assert "plan --limits" in text


def test_the_strain_limit_says_that_it_is_no_safe_strain():
    found = CliRunner().invoke(app, ["limits", "--json", "-"])
    assert "so that measured canals stay plannable" in found.stdout
