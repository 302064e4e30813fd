"""No text of a page bypasses the catalog of words."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import canalwright.web

WEB = Path(canalwright.web.__file__).parent
WRAPPED = {"_", "many", "later"}
# Their texts are classes, styles, attributes, addresses and keys.
UNSEEN_CALLS = {
    "classes", "style", "update", "on", "add_css", "run_method", "run_javascript", "download",
    "content", "is_file", "evaluate", "wait_for", "strptime", "split", "replace", "removesuffix",
    "removeprefix", "join_address", "TypeVar", "RuntimeError", "navigate", "encode", "sort",
}  # fmt: skip
UNSEEN_ARGUMENTS = {
    "tag", "value", "place", "key", "name", "expected", "got", "component", "esm", "media_type",
    "prefix", "js_handler", "type",
}  # fmt: skip
# An ISO or unit text, a mark of the product, a key of the program.
NO_WORDS = re.compile(
    r"(/.*|#[0-9a-f]+|class=.*|mm|rpm|UTC|PDF|JSON|DICOM|ISO|SD|N·cm|Canalwright|canalwright.*|[a-z0-9_@./:-]+)"
)
TAG = re.compile(r"<[^>]*>|&\w+;")
COLUMN_KINDS = {"left", "right", "text"}


def shown_words(node: ast.expr) -> str:
    """Return the text of a literal with tags and inserted values taken out."""
    if isinstance(node, ast.Constant):
        text = node.value if isinstance(node.value, str) else ""
    else:
        parts = node.values if isinstance(node, ast.JoinedStr) else []
        text = "".join(str(one.value) if isinstance(one, ast.Constant) else "\0" for one in parts)
    return re.sub(r"\s+", " ", TAG.sub(" ", text).replace("\0", " ")).strip(" ,.;:()–-·")


def _text(node: ast.expr) -> object:
    return node.value if isinstance(node, ast.Constant) else None


class Finder(ast.NodeVisitor):
    """Collects literals with words that are not looked up."""

    def __init__(self) -> None:
        self.found: list[ast.expr] = []

    def visit_Call(self, node: ast.Call) -> None:
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        if name in WRAPPED:
            return
        self.visit(node.func)
        if name in UNSEEN_CALLS:
            return
        if name == "props":
            self._props(node)
            return
        for argument in node.args:
            self.visit(argument)
        for keyword in node.keywords:
            if keyword.arg not in UNSEEN_ARGUMENTS:
                self.visit(keyword.value)

    def _props(self, node: ast.Call) -> None:
        for argument in node.args:
            parts = argument.values if isinstance(argument, ast.JoinedStr) else [argument]
            for part in parts:
                if not isinstance(part, ast.Constant):
                    continue
                if re.search(r'(aria-label|hint)="[^"]', str(part.value)):
                    self.found.append(argument)

    def visit_Expr(self, node: ast.Expr) -> None:
        if not isinstance(node.value, ast.Constant):
            self.generic_visit(node)

    def visit_Tuple(self, node: ast.Tuple) -> None:
        # The head of a column: words, and how its cells stand.
        head, *kinds = node.elts or [ast.Constant(0)]
        if kinds and isinstance(head, ast.Constant) and _text(kinds[0]) in COLUMN_KINDS:
            self.found.append(head)
        else:
            self.generic_visit(node)

    def visit_Dict(self, node: ast.Dict) -> None:
        for value in node.values:
            self.visit(value)

    def visit_Subscript(self, node: ast.Subscript) -> None:
        self.visit(node.value)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_Compare(self, node: ast.Compare) -> None:
        return

    def visit_Assign(self, node: ast.Assign) -> None:
        if getattr(node.targets[0], "id", "") != "__all__":
            self.visit(node.value)

    def visit_arguments(self, node: ast.arguments) -> None:
        for default in (*node.defaults, *node.kw_defaults):
            if default is not None:
                self.visit(default)

    def visit_FunctionDef(self, node: ast.FunctionDef | ast.AsyncFunctionDef) -> None:
        self.visit(node.args)
        for one in node.body:
            self.visit(one)

    visit_AsyncFunctionDef = visit_FunctionDef  # type: ignore[assignment]

    def visit_Constant(self, node: ast.Constant) -> None:
        self._look(node)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        self._look(node)
        for one in node.values:
            if isinstance(one, ast.FormattedValue):
                self.visit(one.value)

    def _look(self, node: ast.expr) -> None:
        words = shown_words(node)
        if re.search(r"[A-Za-z]{2}", words) and not NO_WORDS.fullmatch(words):
            self.found.append(node)


PAGES = sorted([*(WEB / "pages").glob("*.py"), *(WEB / "components").glob("*.py")])
SOURCES = [*PAGES, WEB / "html.py", WEB / "running.py"]


def literals(path: Path) -> list[ast.expr]:
    """Return the literals of a module that are shown but not looked up."""
    finder = Finder()
    finder.visit(ast.parse(path.read_text("utf-8")))
    return finder.found


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_every_text_of_a_page_is_looked_up(path):
    bypassing = [f"{node.lineno}: {shown_words(node)}" for node in literals(path)]
    assert bypassing == []


@pytest.mark.parametrize(
    "source",
    [
        'ui.button("Plan it")',
        'part(f"Canal {name}, level by level", "tracks")',
        "ui.element().props('aria-label=\"Points\"')",
        'COLUMNS = (("canal", "left"), (later("length"), "right"))',
    ],
)
def test_a_bypassing_text_is_found(source):
    finder = Finder()
    finder.visit(ast.parse(source))
    assert len(finder.found) == 1
