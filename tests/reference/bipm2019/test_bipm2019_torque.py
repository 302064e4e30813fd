from __future__ import annotations

import pytest

from canalwright.units import NCM_PER_TORQUE_UNIT, ncm_from_torque, torque_from_ncm

pytestmark = pytest.mark.source(
    "bipm2019", where="definition of the newton; standard gravity", kind="memory"
)

PRINTED = 5e-7 + 1e-9  # six decimals, some of them rounded from an exact half

# Torques that occur on small instruments: gf·cm, mN·m, N·cm (worked out by hand).
ROWS = [
    (8.0, 0.784532, 0.078453),
    (18.0, 1.765197, 0.176520),
    (45.0, 4.412993, 0.441299),
    (100.0, 9.806650, 0.980665),
    (280.0, 27.458620, 2.745862),
]


@pytest.mark.parametrize(("gf_cm", "mn_m", "n_cm"), ROWS)
def test_gram_force_centimeters(gf_cm, mn_m, n_cm):
    torque_ncm = ncm_from_torque(gf_cm, "gf·cm")
    assert torque_ncm == pytest.approx(n_cm, abs=PRINTED)
    assert torque_from_ncm(torque_ncm, "mN·m") == pytest.approx(mn_m, abs=PRINTED)


def test_one_newton_centimeter_in_every_unit():
    expected = {"N·cm": 1, "N·mm": 10, "mN·m": 10, "N·m": 0.01, "gf·cm": 101.971621298}
    expected["kgf·cm"] = 0.101971621298
    assert expected.keys() == NCM_PER_TORQUE_UNIT.keys()
    for unit, value in expected.items():
        assert torque_from_ncm(1.0, unit) == pytest.approx(value, rel=1e-11)


def test_gram_force_centimeter_is_exact():
    assert ncm_from_torque(1.0, "gf·cm") == pytest.approx(0.00980665, rel=1e-15)
