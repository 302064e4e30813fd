from __future__ import annotations

import numpy as np
import pytest

from canalwright.instruments.build import profiled_instrument
from canalwright.instruments.instrument import Alloy, Instrument, Kind, SectionShape
from canalwright.instruments.standard import find_instrument
from canalwright.mechanics.concentric import PassLoads, concentric_loads
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS
from canalwright.planning.load_report import load_report
from canalwright.shaping.shape import Pass, Shape, cut
from support.canals import tapered_canal

LEVEL = np.linspace(0.0, 16.0, 161)
PUBLISHED_NCM = (0.2, 3.2)
PUBLISHED_N = (1.49, 12.0)
PRINTED_N = 0.005  # the means are printed with two decimals
# A block canal: size 15, taper .02, 16 mm, the apical 6 mm bent to a radius of 8 mm.
BLOCK = tapered_canal(
    apical_mm=0.15, taper_mm_per_mm=0.02, curve_radius_mm=8.0, curved_to_mm=6.0, length_mm=16.0
)
SEQUENCES = {
    "all .04": ("engine-20-04", "engine-25-04", "engine-30-04"),
    ".04 and .06": ("engine-20-04", "engine-25-06", "engine-30-06"),
}


def pass_in_block(size: int, taper: float, before_mm: np.ndarray) -> PassLoads:
    tip = size / 100.0
    instrument = Instrument(
        id=f"engine-{size}",
        kind=Kind.ENGINE,
        size=size,
        knot_station_mm=(0.0, 16.0),
        knot_diameter_mm=(tip, tip + 16.0 * taper),
        section=SectionShape.TRIANGLE,
        alloy=Alloy.NITI_SUPERELASTIC,
    )
    after_mm = np.maximum(before_mm, instrument.diameter_mm(LEVEL))
    return concentric_loads(
        instrument,
        LEVEL,
        np.where(LEVEL < 6.0, 1 / 8.0, 0.0),
        0.0,
        np.pi / 4 * (after_mm**2 - before_mm**2),
        speed_rpm=250.0,
        advance_time_s=8.0,
        parameters=DEFAULT_LOAD_PARAMETERS,
    )


@pytest.mark.source("schrader2005", where="abstract, range of mean torque", kind="published")
@pytest.mark.parametrize(
    ("size", "taper", "before"),
    # One instrument through a block canal of .02 taper: smallest and largest jump.
    [(20, 0.04, 0.15 + 0.02 * LEVEL), (25, 0.06, 0.15 + 0.02 * LEVEL)],
)
def test_default_parameters_fall_into_the_published_means(
    size: int, taper: float, before: np.ndarray
) -> None:
    low, high = PUBLISHED_NCM
    assert low < pass_in_block(size, taper, before).peak_torque_ncm < high


@pytest.mark.source("schrader2005", where="abstract, range of means", kind="published")
@pytest.mark.parametrize("name", ["engine-20-04", "engine-25-04", "engine-25-06", "engine-30-06"])
def test_torque_and_force_of_one_instrument_fall_into_the_published_means(name: str) -> None:
    report = load_report(BLOCK, Shape.of(BLOCK), Pass(find_instrument(name)))
    assert PUBLISHED_NCM[0] < report.loads.peak_torque_ncm < PUBLISHED_NCM[1]
    assert PUBLISHED_N[0] < report.turning_push_n < PUBLISHED_N[1]


@pytest.mark.source("schrader2005", where="abstract, range of means", kind="published")
@pytest.mark.parametrize("name", SEQUENCES)
def test_hardest_instrument_of_a_sequence_falls_into_the_published_means(name: str) -> None:
    # Sizes after the published kinds of sequence; the abstract does not name the instruments.
    torques, pushes = zip(*in_sequence(SEQUENCES[name]), strict=True)
    assert PUBLISHED_NCM[0] < max(torques) < PUBLISHED_NCM[1]
    assert PUBLISHED_N[0] < max(pushes) < PUBLISHED_N[1]


@pytest.mark.source("schrader2005", where="abstract, means with their spread", kind="published")
@pytest.mark.parametrize("name", SEQUENCES)
def test_every_instrument_of_a_sequence_falls_into_the_published_spread(name: str) -> None:
    for torque, push in in_sequence(SEQUENCES[name]):
        assert PUBLISHED_NCM[0] - 0.03 < torque < PUBLISHED_NCM[1] + 0.28
        assert PUBLISHED_N[0] - 0.54 - PRINTED_N < push < PUBLISHED_N[1] + 3.5


def in_sequence(names: tuple[str, ...]) -> list[tuple[float, float]]:
    """Return torque and push at the end of the pass, with default parameters and times."""
    shape, found = Shape.of(BLOCK), []
    for name in names:
        made = Pass(find_instrument(name))
        report = load_report(BLOCK, shape, made)
        found.append((report.loads.peak_torque_ncm, report.turning_push_n))
        shape = cut(shape, made)
    return found


@pytest.mark.source("schrader2005", where="abstract, contact area", kind="published")
def test_torque_grows_with_the_area_to_be_cut() -> None:
    narrow = pass_in_block(25, 0.04, 0.15 + 0.02 * LEVEL).peak_torque_ncm
    flared = pass_in_block(25, 0.04, np.maximum(0.15 + 0.02 * LEVEL, 0.05 * LEVEL)).peak_torque_ncm
    assert flared < narrow


@pytest.mark.source("schrader2005", where="abstract, mixed tapers", kind="published")
def test_a_mixed_taper_before_lowers_the_torque_of_the_next() -> None:
    start = 0.15 + 0.02 * LEVEL
    alone = pass_in_block(25, 0.06, start).peak_torque_ncm
    stepped = pass_in_block(25, 0.06, np.maximum(start, 0.20 + 0.04 * LEVEL)).peak_torque_ncm
    assert stepped < alone


@pytest.mark.source("schrader2005", where="abstract, mixed tapers", kind="published")
def test_a_variable_taper_lowers_torque_and_push_against_a_constant_one() -> None:
    # Both open the apical 4 mm alike; coronal of them the variable one is thinner.
    constant = find_instrument("engine-25-06")
    variable = profiled_instrument("engine-25-variable", (0.0, 4.0, 16.0), (0.25, 0.49, 0.85))
    found = [load_report(BLOCK, Shape.of(BLOCK), Pass(file)) for file in (constant, variable)]
    torques = [report.loads.peak_torque_ncm for report in found]
    assert torques[1] < 0.9 * torques[0]
    assert found[1].feed_n < 0.9 * found[0].feed_n
