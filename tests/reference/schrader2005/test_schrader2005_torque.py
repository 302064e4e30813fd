from __future__ import annotations

import numpy as np
import pytest

from canalwright.instruments.instrument import Alloy, Instrument, Kind, SectionShape
from canalwright.mechanics.concentric import PassLoads, concentric_loads
from canalwright.mechanics.cutting import wedge_axial_force_n
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS

LEVEL = np.linspace(0.0, 16.0, 161)
PUBLISHED_NCM = (0.2, 3.2)
PUBLISHED_N = (1.49, 12.0)
# Smallest mean less, and largest mean plus its standard deviation: 1.49 ± 0.54 to 12.0 ± 3.5 N.
PUBLISHED_WITH_SPREAD_N = (0.95, 15.5)
SEQUENCES = {
    "all .04": ((20, 0.04), (25, 0.04), (30, 0.04)),
    ".04 and .06": ((20, 0.04), (25, 0.06), (30, 0.06)),
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


@pytest.mark.source("schrader2005", where="abstract, range of mean force", kind="published")
@pytest.mark.parametrize(("size", "taper"), [(20, 0.04), (25, 0.06)])
def test_push_for_that_torque_falls_into_the_published_spread(size: int, taper: float) -> None:
    # Straight into the block without any instrument before: 12.4 N for 25/.06.
    torque_ncm = pass_in_block(size, taper, 0.15 + 0.02 * LEVEL).peak_torque_ncm
    low, high = PUBLISHED_WITH_SPREAD_N
    assert low < push_n(size, taper, torque_ncm) < high


@pytest.mark.source("schrader2005", where="abstract, mean torque and force", kind="published")
@pytest.mark.parametrize("name", SEQUENCES)
def test_hardest_instrument_of_a_sequence_falls_into_the_published_means(name: str) -> None:
    # Sizes after the published kinds of sequence; the abstract does not name the instruments.
    before, torques, pushes = 0.15 + 0.02 * LEVEL, [], []
    for size, taper in SEQUENCES[name]:
        torques.append(pass_in_block(size, taper, before).peak_torque_ncm)
        pushes.append(push_n(size, taper, torques[-1]))
        before = np.maximum(before, size / 100.0 + taper * LEVEL)
    assert PUBLISHED_NCM[0] < max(torques) < PUBLISHED_NCM[1]
    assert PUBLISHED_N[0] < max(pushes) < PUBLISHED_N[1]


def push_n(size: int, taper: float, torque_ncm: float) -> float:
    """Return the push of a wedge at the mean radius of the engaged length, default friction."""
    radius_mm = (size / 100.0 + taper * 8.0) / 2.0
    friction = DEFAULT_LOAD_PARAMETERS.friction_coefficient.value
    return wedge_axial_force_n(10.0 * torque_ncm, taper, friction, radius_mm)


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
