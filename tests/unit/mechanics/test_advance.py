from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence
from canalwright.instruments.instrument import Alloy, Instrument, Kind, SectionShape
from canalwright.mechanics.advance import AdvanceLoads, loads_while_advancing, screw_in_force_n
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters

LEVEL = np.linspace(0.0, 14.0, 141)
FILE = Instrument(
    id="engine-25-06",
    kind=Kind.ENGINE,
    size=25,
    knot_station_mm=(0.0, 16.0),
    knot_diameter_mm=(0.25, 1.21),
    section=SectionShape.TRIANGLE,
    alloy=Alloy.NITI_SUPERELASTIC,
    knot_pitch_mm=(1.0, 3.0),
)


def advanced(start: float = 4.0, end: float = 0.0, **changes: float) -> AdvanceLoads:
    settings = {"speed_rpm": 300.0, "feed_mm_per_s": 1.0} | changes
    return loads_while_advancing(
        FILE,
        LEVEL,
        0.15 + 0.04 * LEVEL,
        from_level_mm=start,
        to_level_mm=end,
        parameters=DEFAULT_LOAD_PARAMETERS,
        **settings,
    )


def test_torque_is_that_of_the_shell_cut_per_turn() -> None:
    # Deeper by dz, a cone of taper t cuts π/2·D·t dz along its engaged length; here by hand for
    # the last depth: from the tip up to where 0.25 + 0.06 s = 0.15 + 0.04 s, that is everywhere.
    result = advanced()
    tip_mm2 = math.pi / 4 * (0.25**2 - 0.15**2)
    shell = math.pi / 2 * 0.06 * (0.25 * 14.0 + 0.06 * 14.0**2 / 2)
    torque_ncm = 0.1 * 1000.0 * (shell + tip_mm2) / (10 * math.pi)
    assert result.torque_ncm[-1] == pytest.approx(torque_ncm, rel=0.03)  # one-sided difference
    assert result.removed_mm3[0] == 0.0


def test_torque_grows_with_the_engaged_length() -> None:
    wide = 0.5 * np.ones_like(LEVEL)  # contact begins behind the tip and grows going deeper
    result = loads_while_advancing(
        FILE,
        LEVEL,
        wide,
        from_level_mm=10.0,
        to_level_mm=2.0,
        speed_rpm=300.0,
        feed_mm_per_s=1.0,
        parameters=DEFAULT_LOAD_PARAMETERS,
    )
    deep = result.tip_level_mm < 9.0
    assert np.all(np.diff(result.engaged_mm[deep]) > 0.0)
    assert np.all(np.diff(result.torque_ncm[deep]) > 0.0)


def test_a_longer_peck_fills_the_flutes_more_and_says_when_they_are_full() -> None:
    short, long = advanced(start=1.0), advanced(start=4.0)
    assert long.flute_fill[-1] > short.flute_fill[-1]
    full = loads_while_advancing(
        FILE,
        LEVEL,
        0.06 + 0.0 * LEVEL,
        from_level_mm=12.0,
        to_level_mm=0.0,
        speed_rpm=300.0,
        feed_mm_per_s=1.0,
        parameters=DEFAULT_LOAD_PARAMETERS,
    )
    assert "FLUTES_FULL" in {c.code for c in full.cautions}
    assert "FLUTES_FULL" not in {c.code for c in short.cautions}


def test_a_screw_that_does_not_slip_does_the_work_of_the_torque() -> None:
    # 2πT = F p
    assert screw_in_force_n(3.0, 2.0, share=1.0) == pytest.approx(2 * math.pi * 3.0 / 2.0)
    assert screw_in_force_n(3.0, 1.0) == pytest.approx(2.0 * screw_in_force_n(3.0, 2.0))
    with pytest.raises(OutOfRange, match="Pitch of the flutes is 0 mm"):
        screw_in_force_n(3.0, 0.0)
    with pytest.raises(OutOfRange, match=r"Share of screw-in is 1\.5"):
        screw_in_force_n(3.0, 1.0, share=1.5)


def test_an_unstated_pitch_is_assumed_and_a_round_file_has_none() -> None:
    known = advanced()
    assert known.screw_in_n is not None
    assert np.all(known.screw_in_n >= 0.0)
    codes = {c.code for c in known.cautions}
    assert "SCREW_IN_ASSUMED" in codes
    assert "PITCH_ASSUMED" not in codes
    unknown = of_file(replace(FILE, knot_pitch_mm=()))
    assert unknown.screw_in_n is not None
    assert "PITCH_ASSUMED" in {c.code for c in unknown.cautions}
    smooth = of_file(replace(FILE, knot_pitch_mm=(), section=SectionShape.CIRCLE))
    assert smooth.screw_in_n is None


def test_pull_grows_with_the_share_and_falls_with_the_pitch() -> None:
    usual, file = DEFAULT_LOAD_PARAMETERS, replace(FILE, knot_pitch_mm=())
    once = of_file(file).screw_in_n[-1]
    double = usual.with_value("screw_in_share", 0.2, Evidence.ASSUMED)
    assert of_file(file, double).screw_in_n[-1] == pytest.approx(2.0 * once)
    flat = usual.with_value("other_helix_deg", 40.0, Evidence.ASSUMED)
    flat = flat.with_value("square_helix_deg", 40.0, Evidence.ASSUMED)
    assert of_file(file, flat).screw_in_n[-1] > once


def of_file(file: Instrument, parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS) -> AdvanceLoads:
    return loads_while_advancing(
        file,
        LEVEL,
        0.15 + 0.04 * LEVEL,
        from_level_mm=4.0,
        to_level_mm=0.0,
        speed_rpm=300.0,
        feed_mm_per_s=1.0,
        parameters=parameters,
    )


def test_advances_that_cannot_be_are_refused() -> None:
    with pytest.raises(OutOfRange, match="Depth of the advance is -1 mm"):
        advanced(start=0.0, end=1.0)
    with pytest.raises(OutOfRange, match="Feed is 0 mm/s"):
        advanced(feed_mm_per_s=0.0)
