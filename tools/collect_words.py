"""Write the template of message catalogs from calls of `_`, `later` and `many` in the workbench.

``python tools/collect_words.py`` writes ``src/canalwright/web/locale/canalwright.pot``; a
translator copies it to ``LANGUAGE/LC_MESSAGES/canalwright.po`` and compiles it with ``msgfmt``.
"""

from __future__ import annotations

import ast
import json
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGES = ROOT / "src" / "canalwright" / "web"
TEMPLATE = PAGES / "locale" / "canalwright.pot"

_HEAD = """\
# Words of the workbench.
msgid ""
msgstr ""
"MIME-Version: 1.0\\n"
"Content-Type: text/plain; charset=UTF-8\\n"
"Content-Transfer-Encoding: 8bit\\n"
"Plural-Forms: nplurals=2; plural=(n != 1);\\n"
"""


def calls(path: Path) -> list[tuple[str, ...]]:
    """Return the texts of every call of `_` and `later` (one text) and `many` (two)."""
    found = []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
            continue
        count = {"_": 1, "later": 1, "many": 2}.get(node.func.id, 0)
        texts = [
            argument.value
            for argument in node.args[:count]
            if isinstance(argument, ast.Constant) and isinstance(argument.value, str)
        ]
        if count and len(texts) == count:
            found.append((node.lineno, tuple(texts)))
    return [texts for _, texts in sorted(found)]


def template() -> str:
    """Return the template: every text once, with the modules it stands in."""
    places: dict[tuple[str, ...], list[str]] = {}
    for path in sorted(PAGES.rglob("*.py")):
        for texts in calls(path):
            name = path.relative_to(ROOT).as_posix()
            if name not in places.setdefault(texts, []):
                places[texts].append(name)
    return "\n".join([_HEAD, *(_entry(texts, names) for texts, names in places.items())])


def _entry(texts: tuple[str, ...], names: list[str]) -> str:
    lines = [f"#: {name}" for name in names] + [f"msgid {_quoted(texts[0])}"]
    if len(texts) == 1:
        return "\n".join([*lines, 'msgstr ""', ""])
    plural = [f"msgid_plural {_quoted(texts[1])}", 'msgstr[0] ""', 'msgstr[1] ""', ""]
    return "\n".join([*lines, *plural])


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


if __name__ == "__main__":
    TEMPLATE.parent.mkdir(exist_ok=True)
    TEMPLATE.write_text(template(), "utf-8")
    sys.stdout.write(f"wrote {TEMPLATE.relative_to(ROOT)}\n")
