"""Every cited key exists, every entry is cited, and every reference check names its source.

The rule for ``source=`` of cautions, graded values, validity ranges and errors: a key of the
bibliography, or one of the plain phrases below. ``source`` of scans and provenance is a file.
"""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from canalwright.evidence import Evidence
from canalwright.references import all_references, reference

ROOT = Path(__file__).parent.parent
SOURCE, TESTS, DOCS = ROOT / "src" / "canalwright", ROOT / "tests", ROOT / "docs"

PLAIN_PHRASES = {
    "",
    "project rule",
    "common practice",
    "measurement on simulated images",
    *(str(grade) for grade in Evidence),
}
POSITION_OF_SOURCE = {"Caution": 2, "Graded": 3}
SOURCE_IS_A_FILE = {"Provenance", "Scan", "Radiograph", "ProvenanceRecord"}
KINDS = {"published", "standard", "memory", "computed"}


def trees(folder: Path) -> Iterator[tuple[Path, ast.Module]]:
    for path in sorted(folder.rglob("*.py")):
        yield path, ast.parse(path.read_text("utf-8"))


def called(node: ast.Call) -> str:
    return getattr(node.func, "id", getattr(node.func, "attr", ""))


def constants(tree: ast.Module) -> dict[str, str]:
    """Return the string constants of a module by name."""
    return {
        target.id: node.value.value
        for node in tree.body
        if isinstance(node, ast.Assign)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
        for target in node.targets
        if isinstance(target, ast.Name)
    }


def sources_in_calls() -> Iterator[tuple[str, str]]:
    for path, tree in trees(SOURCE):
        known = constants(tree)
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call) or called(node) in SOURCE_IS_A_FILE:
                continue
            at = POSITION_OF_SOURCE.get(called(node))
            given = [keyword.value for keyword in node.keywords if keyword.arg == "source"]
            given += node.args[at : at + 1] if at is not None else []
            for value in given:
                where = f"{path.relative_to(ROOT)}:{node.lineno}"
                if isinstance(value, ast.Constant) and isinstance(value.value, str):
                    yield value.value, where
                elif isinstance(value, ast.Name) and value.id in known:
                    yield known[value.id], where


def sources_in_tables() -> Iterator[tuple[str, str]]:
    for path in sorted(SOURCE.rglob("*.toml")):
        stack = [tomllib.loads(path.read_text("utf-8"))]
        while stack:
            table = stack.pop()
            values = table.values() if isinstance(table, dict) else table
            stack += [value for value in values if isinstance(value, dict | list)]
            if isinstance(table, dict) and isinstance(table.get("source"), str):
                yield table["source"], str(path.relative_to(ROOT))


def cited_in_text(folder: Path, glob: str, pattern: str) -> Iterator[tuple[str, str]]:
    for path in sorted(folder.rglob(glob)):
        for found in re.finditer(pattern, path.read_text("utf-8")):
            for key in found.group(1).split(","):
                yield key.strip(), str(path.relative_to(ROOT))


def source_markers(tree: ast.AST) -> Iterator[ast.Call]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "pytest.mark.source":
            yield node


def keys_of_markers() -> Iterator[tuple[str, str]]:
    for path, tree in trees(TESTS):
        for call in source_markers(tree):
            if call.args and isinstance(call.args[0], ast.Constant):
                yield str(call.args[0].value), f"{path.relative_to(ROOT)}:{call.lineno}"


def citations() -> list[tuple[str, str]]:
    named = [*sources_in_calls(), *sources_in_tables()]
    return [
        *((key, where) for key, where in named if key not in PLAIN_PHRASES),
        *cited_in_text(SOURCE, "*.py", r":cite:`([^`]+)`"),
        *cited_in_text(DOCS, "*.md", r"\{cite(?::[a-z]+)?\}`([^`]+)`"),
        *keys_of_markers(),
    ]


def test_every_cited_key_is_in_the_bibliography():
    known = all_references()
    assert sorted(f"{key} in {where}" for key, where in citations() if key not in known) == []


def test_every_entry_is_cited():
    assert sorted(set(all_references()) - {key for key, _ in citations()}) == []


@pytest.mark.parametrize("key", sorted(all_references()))
def test_entry_says_what_it_is_and_how_it_was_seen(key):
    entry = reference(key)
    assert re.search(r"\b(1[89]|20)\d\d\b", entry.text), "no year"
    assert len(entry.text) > 30
    assert re.search(
        r"seen|memory|textbook|handbook|second-hand|recomputed|documentation", entry.status
    ), f"the note does not say how {key} was seen: {entry.status!r}"


def reference_tests() -> Iterator[tuple[Path, ast.Module]]:
    for path, tree in trees(TESTS / "reference"):
        if path.name.startswith("test_"):
            yield path, tree


def name_of(node: ast.expr) -> str:
    return node.id if isinstance(node, ast.Name) else ""


@pytest.mark.parametrize(
    "path", [path for path, _ in reference_tests()], ids=lambda path: path.stem
)
def test_reference_check_names_its_source(path):
    tree = ast.parse(path.read_text("utf-8"))
    aliases = {
        target.id
        for node in tree.body
        if isinstance(node, ast.Assign) and any(source_markers(node.value))
        for target in node.targets
        if isinstance(target, ast.Name)
    }
    whole_module = "pytestmark" in aliases
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            own = [
                d for d in node.decorator_list if any(source_markers(d)) or name_of(d) in aliases
            ]
            assert whole_module or own, (
                f"{path.name}:{node.lineno} {node.name} has no source marker"
            )
    for call in source_markers(tree):
        given = {keyword.arg: keyword.value for keyword in call.keywords}
        assert {"where", "kind"} <= given.keys(), f"{path.name}:{call.lineno}"
        kind = given["kind"]
        assert isinstance(kind, ast.Constant)
        assert kind.value in KINDS, f"{path.name}:{call.lineno} {kind.value}"
    assert (path.parent / "source.md").is_file(), f"{path.parent.name} has no source.md"
