"""Documents that come as bytes are read as those that come as files."""

from __future__ import annotations

import json

import numpy as np
import pytest

from canalwright.anatomy.canal import Canal
from canalwright.errors import UnknownName, UnreadableFile
from canalwright.exchange.canals_in import canals_from_bytes, read_canals
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import document_text
from canalwright.exchange.plans import plan_document
from canalwright.exchange.visit_files import sources_in_memory, visit_sources
from canalwright.geometry.sections import ellipse_radius_mm
from canalwright.instruments.tray import standard_tray
from canalwright.planning import plan
from canalwright.planning.types import Limits, Target


def _canal(name: str) -> Canal:
    level = np.linspace(0.0, 11.0, 111)
    nothing = np.zeros_like(level)
    return Canal(
        name=name,
        level_mm=level,
        centerline_mm=np.column_stack([nothing, nothing, level]),
        direction0=np.tile([1.0, 0.0, 0.0], (len(level), 1)),
        radius_mm=ellipse_radius_mm(0.2 + 0.05 * level, 0.2 + 0.05 * level, 0.0),
        outer_radius_mm=np.full((len(level), 64), 2.0),
        diameter_sd_mm=nothing,
        narrow_sd_mm=nothing,
        wide_sd_mm=nothing,
        dentin_sd_mm=nothing,
    )


@pytest.fixture(scope="module")
def canals() -> bytes:
    return document_text(canals_document((_canal("buccal"),), {})).encode()


@pytest.fixture(scope="module")
def planned() -> bytes:
    canal = _canal("buccal")
    result = plan(canal, standard_tray(), Target(25, 0.04), Limits(), max_instruments=4)
    return document_text(plan_document(canal, result, patency=None, inputs={})).encode()


def test_canals_are_the_same_from_bytes_and_from_a_file(tmp_path, canals):
    path = tmp_path / "canals.json"
    path.write_bytes(canals)
    (from_file,), _ = read_canals(path)
    (from_bytes,), document = canals_from_bytes(canals, "canals.json")
    assert document.schema_ == "canalwright/canals@1"
    np.testing.assert_array_equal(from_bytes.radius_mm, from_file.radius_mm)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        (b"\xff\xfe", "not UTF-8"),
        (b"[1,", "not JSON at line 1"),
        (b'{"schema": "canalwright/plan@1"}', "is needed here"),
    ],
)
def test_the_message_names_what_was_read(content, problem):
    with pytest.raises(UnreadableFile, match=f"the upload.*{problem}"):
        canals_from_bytes(content, "the upload")


def test_sources_of_a_visit_are_the_same_from_memory_and_from_files(tmp_path, canals, planned):
    (tmp_path / "plan.json").write_bytes(planned)
    (tmp_path / "canals.json").write_bytes(canals)
    of_files = visit_sources((tmp_path / "plan.json",), canals_file=tmp_path / "canals.json")
    in_memory = sources_in_memory(planned, canals)
    assert in_memory.digests == of_files.digests
    assert in_memory.sequences == of_files.sequences
    assert in_memory.canals.keys() == of_files.canals.keys()


def test_a_plan_without_its_canal_is_refused(canals, planned):
    other = json.loads(canals)
    other["canals"][0]["name"] = "palatal"
    with pytest.raises(UnknownName, match="buccal"):
        sources_in_memory(planned, json.dumps(other).encode())
