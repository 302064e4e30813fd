from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad, solve_bvp

from canalwright.mechanics.bench_tests import GRIP_MM, grip_moment_nmm

MODULUS_MPA = 193000.0
PIN_MM = 16.0
TURN = math.radians(45.0)


def uniform(moment, _station):
    return moment / (MODULUS_MPA * math.pi / 64 * 0.3**4)


def tapered(moment, station):
    diameter = 0.25 + 0.02 * station
    return moment / (MODULUS_MPA * math.pi / 64 * diameter**4)


def test_uniform_bar_under_a_push_square_on_its_end():
    # ½EIθ'² = F sin θ seen from the pin, so M² = 2EI·F·sin θ and F L²/EI = ½(∫dθ/√sin θ)².
    stiffness = MODULUS_MPA * math.pi / 64 * 0.3**4
    length = PIN_MM - GRIP_MM
    # θ = t² removes the singularity at the pin
    half, _ = quad(lambda t: 2 * t / math.sqrt(math.sin(t * t)) if t else 2.0, 0, math.sqrt(TURN))
    push = stiffness / length**2 * half**2 / 2
    exact = math.sqrt(2 * stiffness * push * math.sin(TURN))
    assert grip_moment_nmm(uniform, PIN_MM, TURN, 200) == pytest.approx(exact, rel=1e-9)


def test_small_turns_follow_the_closed_form_of_a_tapered_bar():
    # θ = F∫(L − s)/(E I(s)) ds with I of a cone; closed form by hand
    d0, taper, length = 0.25 + 0.02 * GRIP_MM, 0.02, PIN_MM - GRIP_MM
    turn = 1e-5
    d1 = d0 + taper * length
    unit = 64 / (math.pi * MODULUS_MPA * taper**2)
    per_push = unit * (d1 / 3 * (d0**-3 - d1**-3) - 0.5 * (d0**-2 - d1**-2))
    exact = turn / per_push * length
    assert grip_moment_nmm(tapered, PIN_MM, turn, 200) == pytest.approx(exact, rel=1e-6)


def test_fourth_order_convergence_on_a_tapered_bar():
    finest = grip_moment_nmm(tapered, PIN_MM, TURN, 640)
    errors = [abs(grip_moment_nmm(tapered, PIN_MM, TURN, n) - finest) for n in (10, 20, 40)]
    orders = [math.log2(a / b) for a, b in pairwise(errors)]
    assert all(3.5 < order < 4.7 for order in orders)


def test_agrees_with_a_general_boundary_value_solver():
    length = PIN_MM - GRIP_MM

    def rates(s, y, p):
        # y = lever arm and turn seen from the pin; p = push
        kappa = [tapered(p[0] * x, PIN_MM - at) for x, at in zip(y[0], s, strict=True)]
        return np.vstack([np.cos(y[1]), kappa])

    def ends(start, end, p):
        return np.array([start[0], start[1], end[1] - TURN])

    grid = np.linspace(0, length, 60)
    guess = np.vstack([grid, TURN * (grid / length) ** 2])
    found = solve_bvp(rates, ends, grid, guess, p=[0.2], tol=1e-8, max_nodes=20000)
    assert found.success
    other = found.p[0] * found.y[0, -1]
    assert grip_moment_nmm(tapered, PIN_MM, TURN, 200) == pytest.approx(other, rel=1e-6)
