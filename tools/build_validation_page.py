"""Write the validation page: one row per check that leans on an outside source.

The rows come from the tests themselves: every test with the marker ``source`` is collected (not
run) and listed with what it checks, the source, the place in it and how the source was seen.

The tables of the phantom ladder are taken over from ``benchmarks/results``.

Usage: ``python tools/build_validation_page.py``; writes ``docs/_generated/validation.md`` and
``docs/_generated/phantom_ladder.md``.
"""

from __future__ import annotations

import contextlib
import io
import sys
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import pytest

from canalwright.references import all_references

ROOT = Path(__file__).resolve().parents[1]
TARGET = ROOT / "docs" / "_generated" / "validation.md"
LADDER = ROOT / "benchmarks" / "results" / "phantom_ladder.md"


@dataclass(frozen=True)
class Check:
    """One cited check."""

    key: str
    where: str
    kind: str
    note: str
    what: str
    cases: int


class Collector:
    """Pytest plugin that remembers every item with a source marker."""

    def __init__(self) -> None:
        self.cases: dict[tuple[str, str, str, str, str], int] = defaultdict(int)

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Count the cases of each cited test function."""
        for item in items:
            for marker in item.iter_markers("source"):
                self.cases[_row(item, marker)] += 1


def _row(item: pytest.Item, marker: pytest.Mark) -> tuple[str, str, str, str, str]:
    function = getattr(item, "function", None)
    lines = (getattr(function, "__doc__", None) or "").strip().splitlines()
    what = lines[0] if lines else item.name.split("[")[0].removeprefix("test_").replace("_", " ")
    field = marker.kwargs.get
    return (
        str(marker.args[0] if marker.args else field("key", "")),
        str(field("where", "")),
        str(field("kind", "")),
        str(field("note", "")),
        what,
    )


def collect() -> list[Check]:
    """Return every cited check, in order of source and place."""
    collector = Collector()
    with contextlib.redirect_stdout(io.StringIO()) as said:
        code = pytest.main(
            ["--collect-only", "-q", "-p", "no:cacheprovider", str(ROOT / "tests")],
            plugins=[collector],
        )
    if code != 0:
        raise SystemExit(f"the tests cannot be collected:\n{said.getvalue()[-2000:]}")
    return [Check(*row, cases) for row, cases in sorted(collector.cases.items())]


def render(checks: list[Check]) -> str:
    """Return the page as Markdown."""
    known = all_references()
    by_key: dict[str, list[Check]] = defaultdict(list)
    for check in checks:
        by_key[check.key].append(check)
    total = sum(check.cases for check in checks)
    lines = [f"{total} cases of {len(checks)} checks lean on {len(by_key)} sources.", ""]
    for key, group in by_key.items():
        entry = known[key]
        status = f" *{_cell(entry.status)}.*" if entry.status else ""
        lines += [f"## {key}", "", f"{_cell(entry.text)}{status}", ""]
        lines += [
            "| what is checked | where in the source | kind | cases | note |",
            "|---|---|---|---|---|",
        ]
        lines += [
            f"| {_cell(c.what)} | {_cell(c.where)} | {c.kind} | {c.cases} | {_cell(c.note)} |"
            for c in group
        ]
        lines.append("")
    return "\n".join(lines)


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("*", "\\*").strip()


def main() -> int:
    """Write the page."""
    checks = collect()
    TARGET.parent.mkdir(parents=True, exist_ok=True)
    TARGET.write_text(render(checks), "utf-8")
    (TARGET.parent / LADDER.name).write_text(LADDER.read_text("utf-8"), "utf-8")
    print(f"{TARGET.relative_to(ROOT)}: {len(checks)} checks")
    return 0


if __name__ == "__main__":
    sys.exit(main())
