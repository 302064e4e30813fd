from __future__ import annotations

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.instruments.standard import instrument_from_id
from canalwright.shaping.shape import Pass, Shape, level_widths_mm, step
from support.canals import tapered_canal


def test_pass_opens_only_along_its_cutting_part():
    made = Pass(instrument_from_id("hand-25-02"), 2.0)
    opened = made.diameter_mm(np.array([0.0, 1.9, 2.0, 10.0, 18.0, 18.1]))
    assert opened == pytest.approx([0.0, 0.0, 0.25, 0.41, 0.57, 0.0])


@pytest.mark.parametrize(("tip", "loose"), [(-2.5, 0.0), (40.0, 0.0), (0.0, 0.2), (0.0, -0.01)])
def test_impossible_passes_are_refused(tip, loose):
    with pytest.raises(OutOfRange, match="hand-10-02"):
        Pass(instrument_from_id("hand-10-02"), tip, loose)


def test_oval_canal_is_met_at_its_narrow_width():
    canal = tapered_canal(apical_mm=0.3, taper_mm_per_mm=0.0, length_mm=10.0, oval=2.0)
    done = step(Shape.of(canal), Pass(instrument_from_id("hand-35-02")))
    assert done.step_mm[0] == pytest.approx(0.05)
    # At the orifice the canal is 0.30 by 0.60 mm and the file 0.55 mm: it cuts in part.
    assert done.step_mm[-1] == pytest.approx(0.25)
    assert 0.5 < done.engaged_share[-1] < 1.0


def test_engaged_length_of_a_whole_canal_is_its_length():
    canal = tapered_canal(apical_mm=0.1, taper_mm_per_mm=0.02, length_mm=10.0)
    done = step(Shape.of(canal), Pass(instrument_from_id("hand-15-02")))
    assert done.engaged_length_mm == pytest.approx(10.0)
    assert done.removed_mm3 == pytest.approx(_frustum(0.15, 0.35, 10.0) - _frustum(0.1, 0.3, 10.0),
                                             rel=1e-4)  # fmt: skip


def test_level_widths_add_up_on_uneven_levels():
    level = np.array([0.0, 0.1, 0.4, 1.0, 3.0])
    assert level_widths_mm(level).sum() == pytest.approx(3.0)


def test_closed_canal_is_refused_with_its_level():
    canal = tapered_canal(apical_mm=0.2, length_mm=5.0)
    canal.radius_mm[10] = 0.0
    with pytest.raises(OutOfRange, match=r"level 1\.00 mm is 0 mm"):
        step(Shape.of(canal), Pass(instrument_from_id("hand-10-02")))


def test_unknown_outer_surface_stays_unknown():
    canal = tapered_canal(outer_mm=None)
    done = step(Shape.of(canal), Pass(instrument_from_id("hand-35-02")))
    assert np.isnan(done.dentin_left_mm).all()
    assert np.isnan(done.dentin_left_min_mm)


def _frustum(a: float, b: float, length: float) -> float:
    return float(np.pi * length / 12.0 * (a * a + a * b + b * b))
