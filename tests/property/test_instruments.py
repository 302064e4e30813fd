from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canalwright.evidence import Evidence, Graded
from canalwright.exchange.tray_files import read_tray, write_tray
from canalwright.instruments.build import profiled_instrument, tapered_instrument
from canalwright.instruments.compare import compare
from canalwright.instruments.instrument import Alloy, Kind, SectionShape, TipKind
from canalwright.instruments.outlines import CORE_RATIO_RANGE
from canalwright.instruments.section_table import CONSTANT_NAMES, section_constants
from canalwright.instruments.tray import Tray, TrayEntry

names = st.text("abcdefgh0123456789_ äöü'\",;:#-", min_size=0, max_size=12).map(
    lambda tail: f"x{tail}".strip()
)
notes = st.text(st.characters(codec="utf-8", exclude_categories=["C"]), max_size=20).map(str.strip)


def maybe(strategy):
    return st.none() | strategy


@st.composite
def graded(draw, unit, high):
    # rounded, so that a value typed as a decimal comes back the same
    value = round(draw(st.floats(0.1, high)), 3)
    sd = draw(maybe(st.floats(0.0, 1.0)))
    evidence = draw(st.sampled_from(Evidence))
    return Graded(value, unit, evidence, draw(notes), sd, draw(notes))


@st.composite
def instruments(draw):
    kind = draw(st.sampled_from(Kind))
    shape = draw(st.sampled_from(SectionShape))
    low, high = CORE_RATIO_RANGE[shape]
    stated = {
        "overall_length_mm": draw(maybe(st.sampled_from([21.0, 25.0, 31.0]))),
        "tolerance_mm": draw(maybe(st.sampled_from([0.02, 0.04]))),
        "alloy": draw(maybe(st.sampled_from(Alloy))),
        "tip": draw(maybe(st.sampled_from(TipKind))),
        "single_use": draw(maybe(st.booleans())),
        "color": draw(maybe(st.sampled_from(["red", "blue"]))),
        "rated_speed_rpm": draw(maybe(graded("rpm", 500.0))),
        "rated_torque_ncm": draw(maybe(graded("N·cm", 4.0))),
    }
    if draw(st.booleans()):
        steps = draw(st.lists(st.floats(0.5, 4.0), min_size=1, max_size=4))
        rises = draw(st.lists(st.floats(0.0, 0.3), min_size=len(steps), max_size=len(steps)))
        stations = (0.0, *np.cumsum(steps).tolist())
        diameters = (0.2, *(0.2 + np.cumsum(rises)).tolist())
        ratios = st.tuples(*[st.floats(low, high)] * len(stations))
        return profiled_instrument(
            draw(names), stations, diameters, kind=kind, section=shape,
            knot_core_ratio=draw(maybe(ratios)), **stated,
        )  # fmt: skip
    return tapered_instrument(
        draw(st.integers(6, 140)),
        draw(st.integers(0, 60)) / 1000,
        kind=kind,
        id=draw(names),
        cutting_length_mm=draw(maybe(st.sampled_from([16.0, 17.5, 18.0]))),
        **stated,
    )


@st.composite
def trays(draw):
    chosen = draw(st.lists(instruments(), min_size=1, max_size=4, unique_by=lambda i: i.id))
    counts = draw(st.lists(st.integers(0, 99), min_size=len(chosen), max_size=len(chosen)))
    return Tray("t", tuple(TrayEntry(i, n) for i, n in zip(chosen, counts, strict=True)))


@settings(max_examples=40, deadline=None)
@given(trays(), st.sampled_from([".csv", ".yaml"]))
def test_a_tray_comes_back_equal(tray, suffix):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"t{suffix}"
        write_tray(tray, path)
        assert read_tray(path) == tray


@settings(deadline=None)
@given(instruments(), instruments())
def test_comparison_is_antisymmetric_and_tolerance_band_holds_the_difference(a, b):
    stations = [0.0, min(a.overall_length_mm, b.overall_length_mm)]
    for there, back in zip(compare(a, b, stations).rows, compare(b, a, stations).rows, strict=True):
        assert there.difference_mm == pytest.approx(-back.difference_mm)
        assert there.within_tolerance == back.within_tolerance
        assert there.least_percent <= there.difference_percent <= there.most_percent
        # diameter and area change in the same direction, area by more
        assert abs(there.area_percent) >= abs(there.difference_percent) - 1e-9 or (
            there.difference_percent < 0
        )


@settings(deadline=None)
@given(instruments())
def test_diameter_never_falls_toward_the_handle_beyond_tolerance(instrument):
    station = np.linspace(0, instrument.overall_length_mm, 60)
    diameter = instrument.diameter_mm(station)
    assert np.all(np.diff(diameter) >= -1e-12)
    assert instrument.diameter_mm(-0.1) == 0.0


@given(st.sampled_from([s for s in SectionShape if s is not SectionShape.CIRCLE]), st.data())
def test_a_thicker_core_is_stiffer_and_stronger(shape, data):
    low, high = CORE_RATIO_RANGE[shape]
    ratio = data.draw(st.floats(low, high - 0.01))
    thin, thick = section_constants(shape, ratio), section_constants(shape, ratio + 0.01)
    # a rectangle of a thicker core is narrower, and softer about its stiff axis
    for name in set(CONSTANT_NAMES) - {"inertia_max_factor"}:
        assert getattr(thick, name) > getattr(thin, name)
