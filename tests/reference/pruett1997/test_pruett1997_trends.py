from __future__ import annotations

import pytest

from canalwright.mechanics.fatigue import cycles_to_failure, remaining_time_s, surface_strain

LAW = {"coefficient": 0.9, "exponent": -0.5}


@pytest.mark.source(
    "pruett1997", where="definition of the strain of a bent shaft", kind="published"
)
@pytest.mark.parametrize(
    ("diameter", "radius", "strain"),
    [(0.25, 5.0, 0.025), (0.40, 5.0, 0.04), (0.40, 2.0, 0.10), (0.55, 5.0, 0.055)],
)
def test_strain_of_a_shaft_on_a_radius(diameter: float, radius: float, strain: float) -> None:
    assert surface_strain(diameter, 1.0 / radius) == pytest.approx(strain, abs=1e-12)
    # Radius measured to the outside or the inside of the bend: d/(2R − d), d/(2R + d).
    outside = surface_strain(diameter, 1.0 / (radius - diameter / 2))
    inside = surface_strain(diameter, 1.0 / (radius + diameter / 2))
    assert outside == pytest.approx(diameter / (2 * radius - diameter))
    assert inside == pytest.approx(diameter / (2 * radius + diameter))


@pytest.mark.source("pruett1997", where="abstract", kind="published")
def test_speed_changes_time_and_not_cycles() -> None:
    life = float(cycles_to_failure(surface_strain(0.4, 0.2), **LAW))
    assert remaining_time_s(0.0, life, 300.0) == pytest.approx(
        2.0 * remaining_time_s(0.0, life, 600.0)
    )


@pytest.mark.source("pruett1997", where="abstract", kind="published")
def test_thicker_shaft_and_smaller_radius_shorten_life() -> None:
    thin = cycles_to_failure(surface_strain(0.30, 1 / 5.0), **LAW)
    thick = cycles_to_failure(surface_strain(0.40, 1 / 5.0), **LAW)
    tight = cycles_to_failure(surface_strain(0.30, 1 / 2.0), **LAW)
    assert thick < thin
    assert tight < thin
