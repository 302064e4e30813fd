"""The rod's bending against the exact elastica, and the order of its discretization.

The compiled bending terms are driven without a canal: nodes on a straight axis at fixed distances
from a clamp, one end load, and the constant axial force that a dead load puts into the rod. What
they find must be the elastica :cite:`bisshopp1945`, however large the deflection.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.linalg import solve_banded
from scipy.optimize import brentq
from scipy.special import ellipeinc, ellipkinc

from canalwright.instruments.instrument import SectionShape
from canalwright.mechanics import rod_planar, rod_spatial
from canalwright.mechanics.alloy_laws import linear_law
from canalwright.mechanics.moment_law import moment_law
from canalwright.mechanics.rod_numerics import (
    CLEARANCE,
    HINGE_COLUMNS,
    NARROW,
    NODE_COLUMNS,
    RADIUS,
)

# A modulus and radius with EI = 1 N·mm² on a rod of length 1 mm.
RADIUS_MM = 0.05
LAW = moment_law(SectionShape.CIRCLE, linear_law(4.0 / (math.pi * RADIUS_MM**4)))


@dataclass(frozen=True)
class Tip:
    """Where the tip of a clamped rod of unit length ends, and its slope."""

    along: float
    across: float
    slope_rad: float


def cantilever(load: float) -> Tip:
    """Dead load across the clamp's axis, ``load`` = PL²/EI."""

    def unbalance(slope: float) -> float:
        square = (1 + math.sin(slope)) / 2
        start = math.asin(1 / math.sqrt(2 * square))
        return float(ellipkinc(math.pi / 2, square) - ellipkinc(start, square) - math.sqrt(load))

    slope = float(brentq(unbalance, 1e-9, math.pi / 2 - 1e-9, xtol=1e-14))
    square = (1 + math.sin(slope)) / 2
    start = math.asin(1 / math.sqrt(2 * square))
    part = ellipeinc(math.pi / 2, square) - ellipeinc(start, square)
    return Tip(math.sqrt(2 * math.sin(slope) / load), 1 - 2 / math.sqrt(load) * float(part), slope)


def column(slope_rad: float) -> tuple[float, Tip]:
    """Compressed column past buckling: load PL²/EI and tip for a given tip slope."""
    modulus = math.sin(slope_rad / 2)
    whole = float(ellipkinc(math.pi / 2, modulus**2))
    area = float(ellipeinc(math.pi / 2, modulus**2))
    return whole**2, Tip(2 * area / whole - 1, 2 * modulus / whole, slope_rad)


def bent_planar(
    tip: Tip,
    across_n: float,
    axial_n: float,
    nodes: int,
    clamp_rad: float = 0.0,
    start: Callable[[np.ndarray], np.ndarray] | None = None,
) -> tuple[float, float]:
    """Return the tip's deflection and the rod's length found by the planar terms.

    The nodes' planes stand square on a straight axis, and the clamp points `clamp_rad` off it.
    The search begins at the offsets that `start` gives for distances from the clamp.
    """
    share = np.linspace(0.0, 1.0, nodes)
    center = np.stack([tip.along * (1 - share), np.zeros(nodes)], axis=1)
    normal = np.tile([0.0, 1.0], (nodes, 1))
    offset = 1.5 * tip.across * (1 - share) ** 2 * (2 + share) / 3
    if start is not None:
        offset = start(center[:, 0])
    node = np.zeros((nodes, NODE_COLUMNS))
    node[:, RADIUS] = RADIUS_MM
    hinge = np.zeros((nodes, HINGE_COLUMNS))
    unit, length = np.zeros((nodes - 1, 2)), np.zeros(nodes - 1)
    axial = np.full(nodes - 1, axial_n)
    matrix, gradient = np.zeros((nodes, 3)), np.zeros(nodes)
    for _ in range(200):
        matrix[:], gradient[:] = 0.0, 0.0
        rod_planar._edges(offset, center, normal, unit, length)
        rod_planar._hinges(unit, length, node, LAW.table, LAW.step, hinge)
        rod_planar._bending_terms(unit, length, normal, hinge, axial, matrix, gradient)
        gradient[0] -= across_n
        _clamp(offset, center, matrix, gradient, clamp_rad)
        step = -solve_banded((2, 2), _full_band(matrix), gradient)
        offset += step * min(1.0, 0.02 / np.abs(step).max())
        if np.abs(step).max() < 1e-12:
            return float(offset[0]), float(length.sum())
    pytest.fail("no equilibrium")


def _full_band(lower: np.ndarray) -> np.ndarray:
    """Rows of scipy's band storage; at fixed ends the equilibrium is a saddle of the energy."""
    band = np.zeros((5, len(lower)))
    for k in range(3):
        band[2 + k, : len(lower) - k] = lower[k:, k]
        band[2 - k, k:] = lower[k:, k]
    return band


def _clamp(
    offset: np.ndarray,
    center: np.ndarray,
    matrix: np.ndarray,
    gradient: np.ndarray,
    clamp_rad: float,
) -> None:
    """Hold the last node, and bend the last edge against the clamp's direction."""
    stiff = 1e16
    matrix[-1, 0] += stiff
    gradient[-1] += stiff * offset[-1]
    # Half an edge lies between the clamp and the last hinge: EI φ²/(2 · l/2), φ = atan(w/x) less
    # the clamp's angle.
    run = center[-2, 0] - center[-1, 0]
    edge = math.hypot(run, offset[-2])
    turn = math.atan2(offset[-2], run) - clamp_rad
    slope = run / edge**2
    # Energy φ²/l with both φ and l = hypot(x, w) depending on w.
    longer = offset[-2] / edge
    gradient[-2] += 2 * turn * slope / edge - (turn / edge) ** 2 * longer
    matrix[-2, 0] += 2 * slope**2 / edge


CANTILEVERS = [
    # load, tip slope, w/L, u/L: the printed table, six digits.
    (0.2, 0.0996362, 0.0663645, 0.00264655),
    (1.0, 0.461352, 0.301721, 0.0564332),
    (2.0, 0.781750, 0.493457, 0.160642),
    (4.0, 1.121240, 0.669964, 0.328941),
    (10.0, 1.430290, 0.810609, 0.554996),
]


@pytest.mark.parametrize(("load", "slope", "across", "shortening"), CANTILEVERS)
def test_closed_form_gives_the_printed_table(
    load: float, slope: float, across: float, shortening: float
) -> None:
    tip = cantilever(load)
    assert (tip.slope_rad, tip.across, 1 - tip.along) == pytest.approx(
        (slope, across, shortening),
        abs=6e-6,  # some rows print five digits
    )


# Beyond this the tip's distance from the clamp hardly depends on the rod's length any more, and
# nodes at fixed distances from it are the wrong question: see the next test.
@pytest.mark.parametrize("load", [0.2, 0.6, 1.0])
def test_rod_is_the_elastica_of_a_cantilever(load: float) -> None:
    tip = cantilever(load)
    across, length = bent_planar(tip, load, load * math.sin(tip.slope_rad), 400)
    assert across == pytest.approx(tip.across, rel=1e-5)  # error 7e-7 at 400 nodes
    assert length == pytest.approx(1.0, rel=1e-5)


@pytest.mark.parametrize("load", [1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0])
def test_rod_is_the_elastica_of_a_strongly_bent_cantilever(load: float) -> None:
    # The axis of the planes is the chord from the clamp to the tip, and the search begins at the
    # exact shape, for there are others.
    tip = cantilever(load)
    chord = math.atan2(tip.across, tip.along)
    turned = Tip(math.hypot(tip.along, tip.across), 0.0, tip.slope_rad - chord)
    across, length = bent_planar(
        turned,
        load * math.cos(chord),
        load * math.sin(tip.slope_rad),
        800,
        -chord,
        lambda along: np.interp(along, *shape(load, chord)),
    )
    assert across == pytest.approx(0.0, abs=1e-6)
    assert length == pytest.approx(1.0, abs=2e-6)  # 9e-7 at load 10 with 800 nodes


def shape(load: float, chord_rad: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the exact shape along and across its chord: κ = √(2a (sin φ₁ − sin φ)) at slope φ."""
    tip = cantilever(load)
    # φ = φ₁ (1 − q²) takes the root out of ds = dφ/κ.
    q = np.linspace(1.0, 0.0, 4001)
    slope = tip.slope_rad * (1 - q**2)
    middle = tip.slope_rad * (1 - ((q[1:] + q[:-1]) / 2) ** 2)
    bend = np.sqrt(2 * load * (math.sin(tip.slope_rad) - np.sin(middle)))
    pieces = np.diff(slope) / bend
    x = np.concatenate([[0.0], np.cumsum(pieces * np.cos(middle))])
    y = np.concatenate([[0.0], np.cumsum(pieces * np.sin(middle))])
    cos, sin = math.cos(chord_rad), math.sin(chord_rad)
    return cos * x + sin * y, cos * y - sin * x


@pytest.mark.parametrize(
    ("degrees", "ratio", "along", "across"),
    [
        (20, 1.0154, 0.96973, 0.21941),
        (40, 1.0637, 0.88120, 0.42224),
        (60, 1.1517, 0.74102, 0.59321),
    ],
)
def test_rod_is_the_elastica_past_buckling(
    degrees: float, ratio: float, along: float, across: float
) -> None:
    load, tip = column(math.radians(degrees))
    assert load / (math.pi**2 / 4) == pytest.approx(ratio, abs=5e-5)
    assert (tip.along, tip.across) == pytest.approx((along, across), abs=5e-6)
    found, length = bent_planar(tip, 0.0, -load * math.cos(tip.slope_rad), 400)
    assert found == pytest.approx(tip.across, rel=1e-5)  # 400 nodes
    assert length == pytest.approx(1.0, rel=1e-5)


@pytest.mark.parametrize("degrees", [30.0, 45.0, 60.0, 90.0])
def test_end_moment_makes_a_circle(degrees: float) -> None:
    # The table's x/L = sin θ/θ and y/L = (1 − cos θ)/θ, and the kernel's curvature on that circle.
    turn = math.radians(degrees)
    share = np.linspace(0.0, 1.0, 41)
    points = np.stack([np.sin(turn * share), 1 - np.cos(turn * share)], axis=1) / turn
    printed = {30: (0.954930, 0.255873), 45: (0.900316, 0.372923), 60: (0.826993, 0.477465)}
    printed[90] = (0.636620, 0.636620)
    assert points[-1] == pytest.approx(printed[int(degrees)], abs=1e-6)
    unit, length = np.zeros((40, 2)), np.zeros(40)
    rod_planar._edges(np.zeros(41), points, np.zeros((41, 2)), unit, length)
    node, hinge = np.full((41, NODE_COLUMNS), RADIUS_MM), np.zeros((41, HINGE_COLUMNS))
    rod_planar._hinges(unit, length, node, LAW.table, LAW.step, hinge)
    assert hinge[1:-1, rod_planar.CURVATURE] == pytest.approx(turn, rel=2e-3)  # 41 points


def test_discretization_is_of_second_order() -> None:
    load, tip = column(math.radians(60.0))
    errors = [
        bent_planar(tip, 0.0, -load * math.cos(tip.slope_rad), nodes)[1] - 1.0
        for nodes in (51, 101, 201, 401)
    ]
    orders = np.log2(np.abs(np.array(errors[:-1]) / np.array(errors[1:])))
    assert orders == pytest.approx(2.0, abs=0.05)


def test_spatial_derivatives_are_those_of_the_energy() -> None:
    # A crooked rod in space: gradient and Hessian against differences of energy and gradient.
    generator = np.random.default_rng(7)
    nodes = 9
    center = np.zeros((nodes, 3))
    center[:, 0] = np.arange(nodes) * 0.1
    frame = np.zeros((nodes, 2, 3))
    frame[:, 0, 1] = frame[:, 1, 2] = 1.0
    offset = 0.03 * generator.standard_normal((nodes, 2))
    axial = generator.standard_normal(nodes - 1)
    gradient, hessian = spatial_terms(offset, center, frame, axial)
    for k in range(2 * nodes):
        shifted = []
        for sign in (1.0, -1.0):
            moved = offset.copy()
            moved[k // 2, k % 2] += sign * 1e-6
            shifted.append(spatial_terms(moved, center, frame, axial)[0])
        column_k = (shifted[0] - shifted[1]) / 2e-6
        assert hessian[:, k] == pytest.approx(column_k, rel=1e-5, abs=1e-5 * np.abs(hessian).max())
        energies = [spatial_energy(offset, center, frame, axial, k, s * 1e-6) for s in (1, -1)]
        assert gradient[k] == pytest.approx(
            (energies[0] - energies[1]) / 2e-6, abs=1e-5 * np.abs(gradient).max()
        )


def _spatial_state(
    offset: np.ndarray, center: np.ndarray, frame: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    count = len(offset)
    unit, length = np.zeros((count - 1, 3)), np.zeros(count - 1)
    node, hinge = np.zeros((count, NODE_COLUMNS)), np.zeros((count, HINGE_COLUMNS))
    node[:, RADIUS] = RADIUS_MM
    rod_spatial._edges(offset, center, frame, unit, length)
    rod_spatial._hinges(unit, length, node, LAW.table, LAW.step, hinge)
    return unit, length, node, hinge


def spatial_terms(
    offset: np.ndarray, center: np.ndarray, frame: np.ndarray, axial: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    count = len(offset)
    unit, length, _, hinge = _spatial_state(offset, center, frame)
    along, turn = np.zeros((count - 1, 4)), np.zeros((count - 1, 4, 3))
    matrix, gradient = np.zeros((2 * count, 6)), np.zeros(2 * count)
    rod_spatial._edge_terms(unit, length, frame, hinge, axial, along, turn, matrix, gradient)
    rod_spatial._hinge_terms(unit, hinge, along, turn, matrix)
    full = np.zeros((2 * count, 2 * count))
    for i in range(2 * count):
        for k in range(min(i, 5) + 1):
            full[i, i - k] = full[i - k, i] = matrix[i, k]
    return gradient, full


def spatial_energy(
    offset: np.ndarray,
    center: np.ndarray,
    frame: np.ndarray,
    axial: np.ndarray,
    k: int,
    shift: float,
) -> float:
    moved = offset.copy()
    moved[k // 2, k % 2] += shift
    unit, length, node, _ = _spatial_state(moved, center, frame)
    node[:, CLEARANCE] = node[:, NARROW] = 1e3
    none = np.zeros(len(offset))
    return float(
        rod_spatial._energy(moved, unit, length, node, axial, LAW.table, LAW.step, 0.0, 0.0, none)
    )
