"""Write the page of all commands from their own help texts.

Usage: ``python tools/build_command_page.py``; writes ``docs/_generated/commands.md``.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import typer
from typer.testing import CliRunner

from canalwright.cli.app import app

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "docs" / "_generated" / "commands.md"


def command_paths() -> Iterator[tuple[str, ...]]:
    """Yield the words of every command, the program itself first."""
    yield ()
    root = typer.main.get_command(app)
    for name, command in getattr(root, "commands", {}).items():
        yield (name,)
        for inner in getattr(command, "commands", {}):
            yield (name, inner)


def render() -> str:
    """Return the page as Markdown."""
    runner = CliRunner()
    parts = []
    for words in command_paths():
        result = runner.invoke(
            app, [*words, "--help"], prog_name="canalwright", env={"COLUMNS": "88"}
        )
        if result.exit_code != 0:
            raise SystemExit(f"no help for {' '.join(words)!r}: {result.output}")
        title = " ".join(("canalwright", *words))
        parts.append(f"## {title}\n\n```text\n{result.output.rstrip()}\n```\n")
    return "\n".join(parts)


def main() -> int:
    """Write the page."""
    TARGET.parent.mkdir(parents=True, exist_ok=True)
    TARGET.write_text(render(), "utf-8")
    print(f"{TARGET.relative_to(ROOT)} written")
    return 0


if __name__ == "__main__":
    sys.exit(main())
