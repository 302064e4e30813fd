"""The unit lint finds what it should and nothing else."""

import importlib.util
from pathlib import Path

import pytest

_PATH = Path(__file__).parents[3] / "tools" / "unit_suffixes.py"
_SPEC = importlib.util.spec_from_file_location("unit_suffixes", _PATH)
unit_suffixes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(unit_suffixes)


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("def f(diameter: float) -> None: ...", True),
        ("def f(diameter_mm: float) -> None: ...", False),
        ("def _part(diameter: float) -> None: ...", False),
        ("class A:\n    diameter: float", True),
        ("class A:\n    def angle(self) -> float: ...", True),
        ("def f(*, length: float) -> None: ...", True),
        ("def torque(x: int) -> float: ...", True),
        ("def torque_ncm(x: int) -> float: ...", False),
        ("radius: NDArray[np.float64]", True),
        ("radius_fit: Fit", False),
        ("length: str", False),
        ("level_index: int", False),
        ("speed: float | None", True),
        ("count: int", False),
    ],
)
def test_numeric_quantity_names_need_a_unit(tmp_path, line, found):
    path = tmp_path / "module.py"
    path.write_text(line)
    assert bool(list(unit_suffixes.offenses(path))) is found
