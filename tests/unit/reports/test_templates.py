from __future__ import annotations

import re
from importlib.resources import files

import pytest

TEMPLATES = ["case", "chairside", "evaluation", "plan", "record"]


@pytest.mark.parametrize("name", TEMPLATES)
def test_every_table_has_header_cells(name):
    text = files("canalwright.reports").joinpath(f"templates/{name}.typ").read_text("utf-8")
    tables = re.findall(r"(?<!set )(?<![.\w])table\(", text)
    assert tables
    assert len(re.findall(r"table\.header\(", text)) == len(tables)
