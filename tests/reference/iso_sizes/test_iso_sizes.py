from __future__ import annotations

import pytest

from canalwright.evidence import Evidence
from canalwright.instruments.standard import find_instrument, standard_hand_instruments

# size, d(0), d(3), d(16), color, tolerance: second, separate entry of the table.
TABLE = [
    ("006", 0.06, 0.12, 0.38, "pink", 0.02),
    ("008", 0.08, 0.14, 0.40, "gray", 0.02),
    ("010", 0.10, 0.16, 0.42, "purple", 0.02),
    ("015", 0.15, 0.21, 0.47, "white", 0.02),
    ("020", 0.20, 0.26, 0.52, "yellow", 0.02),
    ("025", 0.25, 0.31, 0.57, "red", 0.02),
    ("030", 0.30, 0.36, 0.62, "blue", 0.02),
    ("035", 0.35, 0.41, 0.67, "green", 0.02),
    ("040", 0.40, 0.46, 0.72, "black", 0.02),
    ("045", 0.45, 0.51, 0.77, "white", 0.02),
    ("050", 0.50, 0.56, 0.82, "yellow", 0.02),
    ("055", 0.55, 0.61, 0.87, "red", 0.02),
    ("060", 0.60, 0.66, 0.92, "blue", 0.02),
    ("070", 0.70, 0.76, 1.02, "green", 0.04),
    ("080", 0.80, 0.86, 1.12, "black", 0.04),
    ("090", 0.90, 0.96, 1.22, "white", 0.04),
    ("100", 1.00, 1.06, 1.32, "yellow", 0.04),
    ("110", 1.10, 1.16, 1.42, "red", 0.04),
    ("120", 1.20, 1.26, 1.52, "blue", 0.04),
    ("130", 1.30, 1.36, 1.62, "green", 0.04),
    ("140", 1.40, 1.46, 1.72, "black", 0.04),
]

EXACT_MM = 1e-12  # sums of two-digit decimals in double precision

pytestmark = pytest.mark.source(
    "iso3630", where="sizes, colors, taper, tolerance", kind="memory", note="value from memory"
)


@pytest.mark.parametrize(
    ("size", "d0_mm", "d3_mm", "d16_mm", "color", "tolerance_mm"), TABLE, ids=[r[0] for r in TABLE]
)
def test_size_has_its_diameters_color_and_tolerance(
    size, d0_mm, d3_mm, d16_mm, color, tolerance_mm
):
    instrument = find_instrument(f"hand-{int(size):02d}-02")
    assert instrument.size == int(size)
    assert instrument.diameter_mm([0.0, 3.0, 16.0]) == pytest.approx(
        [d0_mm, d3_mm, d16_mm], abs=EXACT_MM
    )
    assert instrument.cutting_length_mm == 16.0
    assert instrument.color == color
    assert instrument.tolerance_mm == tolerance_mm


def test_the_series_is_complete_and_in_order():
    assert [f"{i.size:03d}" for i in standard_hand_instruments()] == [row[0] for row in TABLE]


def test_what_is_remembered_is_marked_as_remembered():
    for instrument in standard_hand_instruments():
        evidence = {field: o.evidence for o in instrument.origins for field in o.fields}
        assert evidence["knot_diameter_mm"] is Evidence.MEMORY
        assert evidence["tolerance_mm"] is Evidence.MEMORY
        assert not set(evidence) & set(instrument.assumed)
