"""Constants of solid cross-sections, as multiples of powers of the circumscribed diameter D.

The centroid of every shape is the center of its circumscribed circle, and its farthest fiber
lies D/2 from it, so an instrument that turns in a curve strains its surface by κD/2 whatever
the shape. Real sections are fluted: take these as bounds :cite:`young2011`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.instruments.instrument import SectionShape
from canalwright.instruments.outlines import STRAIGHT_CORE_RATIO, outline

__all__ = ["SECTION_CONSTANTS", "SectionConstants", "bending_inertia_mm4", "rectangle_torsion"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SectionConstants:
    """Constants of one shape for D = 1.

    Attributes
    ----------
    area : float
        A / D².
    inertia : float
        I / D⁴, second moment of area, mean over the angle of the bending axis.
    torsion : float
        J / D⁴, Saint-Venant torsion constant.
    elastic_torque : float
        T / (τ D³) at which the most stressed point reaches the shear stress τ.
    plastic_torque : float
        T / (τ D³) at which the whole section carries τ (sand-hill analogy).
    """

    area: float
    inertia: float
    torsion: float
    elastic_torque: float
    plastic_torque: float


def rectangle_torsion(ratio: float) -> tuple[float, float]:
    """Return β and α of a rectangle: J = β·long·short³ and T = α·long·short²·τ.

    Saint-Venant's series :cite:`timoshenko1951`; ten odd terms settle it beyond 1e-6.

    Parameters
    ----------
    ratio : float
        Long over short side, at least 1.
    """
    odd = np.arange(1, 40, 2, dtype=float)
    arm = odd * math.pi * ratio / 2.0
    sech = 2.0 * np.exp(-arm) / (1.0 + np.exp(-2.0 * arm))
    beta = (1.0 - 192.0 / (math.pi**5 * ratio) * np.sum(np.tanh(arm) / odd**5)) / 3.0
    peak = 1.0 - 8.0 / math.pi**2 * np.sum(sech / odd**2)
    return float(beta), float(beta / peak)


def _circle() -> SectionConstants:
    return SectionConstants(
        math.pi / 4.0, math.pi / 64.0, math.pi / 32.0, math.pi / 16.0, math.pi / 12.0
    )


def _square() -> SectionConstants:
    side = 1.0 / math.sqrt(2.0)
    beta, alpha = rectangle_torsion(1.0)
    return SectionConstants(side**2, side**4 / 12.0, beta * side**4, alpha * side**3, side**3 / 3.0)


def _triangle() -> SectionConstants:
    side = math.sqrt(3.0) / 2.0
    root3 = math.sqrt(3.0)
    return SectionConstants(
        root3 / 4.0 * side**2,
        root3 * side**4 / 96.0,
        root3 * side**4 / 80.0,
        side**3 / 20.0,
        side**3 / 12.0,
    )


def _rectangle(core_ratio: float) -> SectionConstants:
    short, long = core_ratio, math.sqrt(1.0 - core_ratio**2)
    beta, alpha = rectangle_torsion(long / short)
    return SectionConstants(
        short * long,
        short * long * (short**2 + long**2) / 24.0,
        beta * long * short**3,
        alpha * long * short**2,
        short**2 * (3.0 * long - short) / 6.0,
    )


def _s_shape(core_ratio: float) -> SectionConstants:
    """Bounds from below: torsion as if the core circle alone resisted it."""
    points = outline(SectionShape.S, core_ratio)
    following = np.roll(points, -1, axis=0)
    cross = points[:, 0] * following[:, 1] - following[:, 0] * points[:, 1]
    squares = np.sum(points**2 + points * following + following**2, axis=1)
    core = _circle()
    return SectionConstants(
        float(cross.sum()) / 2.0,
        float(np.sum(cross * squares)) / 24.0,
        core.torsion * core_ratio**4,
        core.elastic_torque * core_ratio**3,
        core.plastic_torque * core_ratio**3,
    )


SECTION_CONSTANTS: Final[dict[SectionShape, SectionConstants]] = {
    SectionShape.CIRCLE: _circle(),
    SectionShape.SQUARE: _square(),
    SectionShape.TRIANGLE: _triangle(),
    SectionShape.RECTANGLE: _rectangle(STRAIGHT_CORE_RATIO[SectionShape.RECTANGLE]),
    SectionShape.S: _s_shape(STRAIGHT_CORE_RATIO[SectionShape.S]),
}


def bending_inertia_mm4(shape: SectionShape, diameter_mm: ArrayLike) -> Floats:
    """Return the second moment of area of sections of one shape, in mm⁴."""
    return np.asarray(SECTION_CONSTANTS[shape].inertia * np.asarray(diameter_mm, float) ** 4)
