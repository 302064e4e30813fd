"""Check that every numeric name that speaks of a physical quantity also says its unit.

A parameter, field, property or function whose annotation is numeric and whose name contains a
quantity word (``diameter``, ``torque`` …) must contain a unit (``_mm``, ``_ncm``, ``_deg`` …) or a
word that says it has none (``_share``, ``_index`` …). Private functions are exempt: their units
are those of the public function they serve.

Usage: ``python tools/unit_suffixes.py src``; exits 1 and lists the places if a name lacks one.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

QUANTITIES = frozenset(
    "angle area circumference curvature deflection depth diameter displacement distance energy "
    "force height length level modulus moment offset perimeter power pressure radius spacing "
    "speed station stiffness strength stress taper temperature thickness torque torsion voltage "
    "volume wavelength width".split()
)
UNITS = frozenset(
    "mm mm2 mm3 mm4 um px ncm nmm nmm2 nm rpm deg rad mpa gpa kpa s ms min n hz percent kg g ml "
    "c k j hu gf kgf per".split()
)
UNITLESS = frozenset(
    "count fraction index indices ratio share number factor voxel voxels sigma sigmas rank steps "
    "name names text key keys weights".split()
)
NUMERIC = frozenset(
    "float int complex Floats Ints ArrayLike NDArray ndarray float64 float32".split()
)


def offenses(path: Path) -> Iterator[str]:
    """Yield one line of text per name without a unit in the file."""
    tree = ast.parse(path.read_text("utf-8"), filename=str(path))
    for node, name, annotation in _annotated(tree):
        if _numeric(annotation) and _lacks_unit(name):
            yield f"{path}:{node.lineno}: {name} is a number without a unit in its name"


def _annotated(tree: ast.AST) -> Iterator[tuple[ast.AST, str, ast.expr]]:
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            yield node, node.target.id, node.annotation
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            if not _private(node.name):
                yield from _signature(node)
        elif isinstance(node, ast.ClassDef | ast.If | ast.Try):
            yield from _annotated(node)


def _private(name: str) -> bool:
    return name.startswith("_") and not name.startswith("__")


def _signature(
    node: ast.FunctionDef | ast.AsyncFunctionDef,
) -> Iterator[tuple[ast.AST, str, ast.expr]]:
    arguments = node.args
    for arg in (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs):
        if arg.annotation is not None:
            yield arg, arg.arg, arg.annotation
    if node.returns is not None:
        yield node, node.name, node.returns


def _numeric(annotation: ast.expr) -> bool:
    """Return whether the annotation is a number or array itself, not a container of nouns."""
    if isinstance(annotation, ast.BinOp):
        return _numeric(annotation.left) or _numeric(annotation.right)
    if isinstance(annotation, ast.Subscript):
        return _numeric(annotation.value)
    if isinstance(annotation, ast.Constant) and isinstance(annotation.value, str):
        return annotation.value in NUMERIC
    name = (
        annotation.attr if isinstance(annotation, ast.Attribute) else getattr(annotation, "id", "")
    )
    return name in NUMERIC


def _lacks_unit(name: str) -> bool:
    words = set(name.lower().strip("_").split("_"))
    return bool(words & QUANTITIES) and not words & (UNITS | UNITLESS)


def main(folders: list[str]) -> int:
    """Check every Python file below the folders."""
    files = sorted(path for folder in folders for path in Path(folder).rglob("*.py"))
    found = [line for path in files for line in offenses(path)]
    print(
        "\n".join(found) if found else f"units in names: {len(files)} files checked, none lacking"
    )
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:] or ["src"]))
