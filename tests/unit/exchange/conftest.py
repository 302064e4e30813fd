"""An analytic canal: an arc of 12 mm with elliptic sections and a root of even wall."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from canalwright.anatomy.canal import Canal, Provenance
from canalwright.cautions import Caution
from canalwright.geometry.sections import ellipse_radius_mm

RADIUS_MM = 20.0
LENGTH_MM = 12.0


def arc(level: np.ndarray) -> np.ndarray:
    turn = level / RADIUS_MM
    return np.column_stack(
        [RADIUS_MM * (1.0 - np.cos(turn)), 0.0 * level, RADIUS_MM * np.sin(turn)]
    )


@pytest.fixture
def arc_canal() -> Canal:
    level = np.linspace(0.0, LENGTH_MM, 61)
    narrow, wide = 0.20 + 0.03 * level, 0.25 + 0.05 * level
    radius = ellipse_radius_mm(wide, narrow, 0.3)
    outer = radius + 0.8 + 0.05 * level[:, None]
    outer[:3, 5] = np.nan
    turn = level / RADIUS_MM
    return Canal(
        name="arc",
        level_mm=level,
        centerline_mm=arc(level),
        direction0=np.column_stack([np.cos(turn), 0.0 * level, -np.sin(turn)]),
        radius_mm=radius,
        outer_radius_mm=outer,
        diameter_sd_mm=np.full(61, 0.02),
        narrow_sd_mm=np.full(61, 0.02),
        wide_sd_mm=np.full(61, 0.03),
        dentin_sd_mm=np.full(61, np.nan),
        provenance=Provenance(
            source="arc", digest="00", methods=("made",), spacing_mm=(0.1, 0.1, 0.1), invented=True
        ),
        cautions=(Caution("MADE_UP", "An arc."),),
    )


@pytest.fixture
def contract() -> dict[str, Any]:
    """A document with the contract keys alone, coarse levels, no sections."""
    level = np.linspace(0.0, LENGTH_MM, 13)
    record = {
        "name": "MB",
        "length_mm": LENGTH_MM,
        "centerline_mm": arc(level).tolist(),
        "level_mm": level.tolist(),
        "diameter_mm": (0.25 + 0.04 * level).tolist(),
        "diameter_sd_mm": [0.02] * 13,
        "narrow_mm": (0.20 + 0.03 * level).tolist(),
        "wide_mm": (0.30 + 0.05 * level).tolist(),
        "dentin_min_mm": [None, *(0.8 + 0.05 * level[1:]).tolist()],
        "curvature": {"schneider_deg": 17.2, "pruett_deg": 34.4, "a_key_of_tomorrow": [1, "x"]},
        "something_new": {"nested": True},
    }
    return {
        "schema": "canalwright/canals@1",
        "version": "9.9.9",
        "inputs": {},
        "canals": [record],
        "cautions": [],
        "another_key": 1,
    }


@pytest.fixture
def written(tmp_path: Path) -> Callable[[Any], Path]:
    def write(document: Any) -> Path:
        path = tmp_path / "canals.json"
        text = document if isinstance(document, str) else json.dumps(copy.deepcopy(document))
        path.write_text(text, encoding="utf-8")
        return path

    return write
