"""An independent, exactly inextensible planar rod in a canal, to check the product's against.

It shares only the bending law and the first guess with the product: its unknowns are the tangent
angles of equal segments of the instrument and the offset of its handle, so length is kept exactly
and no axial force appears; the distance to the axis is exact; the Hessian is dense.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline, PPoly

from canalwright.instruments.alloys import alloy_set
from canalwright.instruments.instrument import Alloy, SectionShape
from canalwright.mechanics.alloy_laws import linear_law
from canalwright.mechanics.bench_tests import bending_law
from canalwright.mechanics.canal_path import Arc, graded_levels_mm, path_of_arcs
from canalwright.mechanics.moment_law import moment_law
from canalwright.mechanics.rod import Rod
from canalwright.mechanics.rod_in_canal import RodInCanal, rod_in_canal
from canalwright.mechanics.rod_numerics import solve_banded

Floats = NDArray[np.float64]

LENGTH_MM = 15.0
WALL = 5000.0
LAWS = {
    "linear": moment_law(SectionShape.CIRCLE, linear_law(70000.0)),
    "superelastic": moment_law(
        SectionShape.CIRCLE, bending_law(alloy_set(Alloy.NITI_SUPERELASTIC))
    ),
}


@dataclass(frozen=True)
class Case:
    """A canal that is an arc from the terminus and straight above, and an instrument in it."""

    radius_mm: float
    degrees: float
    tip_mm: float
    taper: float
    canal_mm: float
    canal_taper: float
    law: str = "linear"

    @property
    def arc_mm(self) -> float:
        return self.radius_mm * math.radians(self.degrees)

    def instrument_radius(self, station: Floats) -> Floats:
        return (self.tip_mm + self.taper * np.clip(station, 0.0, 16.0)) / 2

    def wall_radius(self, level: Floats) -> Floats:
        return (self.canal_mm + self.canal_taper * level) / 2


class Angles:
    """Newton's method on tangent angles; the handle's distance is chosen so the tip is at 0."""

    def __init__(self, case: Case, guess: RodInCanal, segments: int = 220) -> None:
        self.case, self.count = case, segments
        self.step = LENGTH_MM / segments
        edge = np.diff(guess.position_mm, axis=0)
        steepness = np.unwrap(np.arctan2(edge[:, 1], edge[:, 0]))
        middle = (guess.station_mm[1:] + guess.station_mm[:-1]) / 2
        self.angle = np.interp((np.arange(segments) + 0.5) * self.step, middle, steepness)
        self.offset, self.handle = float(guess.offset_mm[-1, 0]), LENGTH_MM
        self.radius = case.instrument_radius(np.arange(segments + 1) * self.step)
        self.weight = np.full(segments + 1, self.step)
        self.weight[[0, -1]] /= 2
        end = math.radians(case.degrees)
        self.center = np.array([0.0, case.radius_mm])
        self.corner = case.radius_mm * np.array([math.sin(end), 1 - math.cos(end)])
        self.along = np.array([math.cos(end), math.sin(end)])
        self.across = np.array([-self.along[1], self.along[0]])

    def points(self, angle: Floats, offset: float) -> Floats:
        edge = self.step * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        last = self.corner + self.along * (self.handle - self.case.arc_mm) + self.across * offset
        return np.vstack([last - np.cumsum(edge[::-1], axis=0)[::-1], last])

    def canal(self, point: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Signed offset, level, their gradients, and the second derivative across the axis."""
        inward = self.center - point
        distance = np.linalg.norm(inward, axis=1)
        beyond = (point - self.corner) @ self.along
        arc = beyond < 0
        turn = np.arctan2(-inward[:, 0], inward[:, 1])
        radius = self.case.radius_mm
        offset = np.where(arc, radius - distance, (point - self.corner) @ self.across)
        level = np.where(arc, radius * turn, self.case.arc_mm + beyond)
        unit = inward / distance[:, None]
        tangent = np.stack([unit[:, 1], -unit[:, 0]], axis=1)
        grad_offset = np.where(arc[:, None], unit, self.across)
        grad_level = np.where(arc[:, None], tangent * (radius / distance)[:, None], self.along)
        return offset, level, grad_offset, grad_level, np.where(arc, -1 / distance, 0.0)

    def evaluate(
        self, angle: Floats, handle_offset: float, second: bool
    ) -> tuple[float, Floats, Floats]:
        count, step = self.count, self.step
        point = self.points(angle, handle_offset)
        offset, level, grad_offset, grad_level, bend = self.canal(point)
        wall = self.case.wall_radius(level)
        gap = wall - self.radius
        depth = np.maximum(np.abs(offset) - np.maximum(gap, 0.0), 0.0)
        side = np.sign(offset)
        slope = np.where(gap < 0, 0.0, self.case.canal_taper / 2)
        push = side[:, None] * grad_offset - slope[:, None] * grad_level
        self.force, self.level, self.side = WALL * self.weight * depth, level, side
        curvature = np.diff(angle) / step
        energy, moment, stiffness = bending(self.case.law, curvature, self.radius[1:-1])
        self.curvature = curvature
        self.bending_energy = float(step * energy.sum())
        total = self.bending_energy + 0.5 * WALL * float(np.sum(self.weight * depth**2))
        load = self.force[:, None] * push
        summed = np.cumsum(load, axis=0)
        normal = np.stack([-np.sin(angle), np.cos(angle)], axis=1)
        gradient = np.zeros(count + 1)
        gradient[1:count] += moment
        gradient[: count - 1] -= moment
        gradient[:count] -= step * np.sum(normal * summed[:count], axis=1)
        gradient[count] = summed[-1] @ self.across
        if not second:
            return total, gradient, np.zeros((0, 0))
        return total, gradient, self._hessian(angle, stiffness / step, summed, push, depth, bend)

    def _hessian(
        self,
        angle: Floats,
        hinge: Floats,
        summed: Floats,
        push: Floats,
        depth: Floats,
        bend: Floats,
    ) -> Floats:
        count, step = self.count, self.step
        normal = np.stack([-np.sin(angle), np.cos(angle)], axis=1)
        tangent = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        hessian = np.zeros((count + 1, count + 1))
        i = np.arange(count - 1)
        hessian[i, i] += hinge
        hessian[i + 1, i + 1] += hinge
        hessian[i, i + 1] -= hinge
        hessian[i + 1, i] -= hinge
        j = np.arange(count)
        hessian[j, j] += step * np.sum(tangent * summed[:count], axis=1)
        nodes = np.flatnonzero(depth > 0)
        rows = self._rows(nodes, normal, push[nodes])
        hessian += weighted_square(rows, WALL * self.weight[nodes])
        across = np.stack([push[nodes, 1], -push[nodes, 0]], axis=1)
        turned = self._rows(nodes, normal, across)
        hessian += weighted_square(turned, (self.force * self.side * bend)[nodes])
        return hessian

    def _rows(self, nodes: NDArray[np.intp], normal: Floats, vectors: Floats) -> Floats:
        """Change of the nodes along vectors per unknown."""
        moved = -self.step * (vectors @ normal.T)
        moved[np.arange(self.count) < nodes[:, None]] = 0.0
        return np.hstack([moved, (vectors @ self.across)[:, None]])

    def relax(self) -> None:
        for _ in range(300):
            energy, gradient, hessian = self.evaluate(self.angle, self.offset, True)
            move = -definite_solve(hessian, gradient)
            if np.abs(move).max() < 1e-7:
                return
            share = 1.0
            for _ in range(20):
                angle, offset = self.angle + share * move[:-1], self.offset + share * move[-1]
                after = self.evaluate(angle, offset, False)[0]
                if after <= energy + 1e-4 * share * (gradient @ move) + 1e-13 * energy:
                    break
                share /= 2
            self.angle, self.offset = angle, offset
        raise RuntimeError("the inextensible rod did not converge")

    def solve(self) -> Angles:
        self.relax()
        for _ in range(10):
            if abs(self.level[0]) < 1e-7:
                break
            self.handle -= float(self.level[0])
            self.relax()
        self.evaluate(self.angle, self.offset, True)
        return self

    def push(self) -> float:
        """Axial push on the handle from the balance of all wall forces."""
        point = self.points(self.angle, self.offset)
        _, level, grad_offset, grad_level, _ = self.canal(point)
        binds = self.case.wall_radius(level) < self.radius
        slope = np.where(binds, 0.0, self.case.canal_taper / 2)
        push = self.side[:, None] * grad_offset - slope[:, None] * grad_level
        total = (self.force[:, None] * push).sum(axis=0)
        return float(-total @ self.along)

    def groups(self) -> list[tuple[float, float]]:
        found: list[tuple[float, float]] = []
        i = 0
        while i <= self.count:
            j = i
            while j <= self.count and self.force[j] > 0 and self.side[j] == self.side[i]:
                j += 1
            if j > i and self.force[i:j].sum() > 1e-3:
                force = self.force[i:j]
                found.append((float(force @ self.level[i:j] / force.sum()), float(force.sum())))
            i = max(j, i + 1)
        return found


def weighted_square(rows: Floats, weight: Floats) -> Floats:
    # einsum keeps to one thread; threaded products of this size only wait for each other.
    return np.einsum("ri,r,rj->ij", rows, weight, rows)


def definite_solve(hessian: Floats, gradient: Floats) -> Floats:
    size, shift = len(gradient), 1e-10
    place = np.arange(size)[:, None] - np.arange(size)[None]
    lower = np.where(place >= 0, hessian[np.arange(size)[:, None], np.maximum(place, 0)], 0.0)
    while True:
        band, solution = lower.copy(), gradient.copy()
        band[:, 0] += shift
        if solve_banded(band, solution, size - 1):
            return solution
        shift = max(4 * shift, 1e-8)


@cache
def splines(name: str) -> tuple[PPoly, PPoly, PPoly]:
    law = LAWS[name]
    grid = np.arange(len(law.table)) * law.step
    moment = CubicHermiteSpline(grid, law.table[:, 1], law.table[:, 2])
    return moment.antiderivative(), moment, moment.derivative()


def bending(name: str, curvature: Floats, radius: Floats) -> tuple[Floats, Floats, Floats]:
    energy, moment, slope = splines(name)
    strain = np.abs(curvature) * radius
    return (
        radius**2 * energy(strain),
        np.sign(curvature) * radius**3 * moment(strain),
        radius**4 * slope(strain),
    )


def ours(case: Case, nodes: int = 200) -> RodInCanal:
    level = graded_levels_mm(0.0, LENGTH_MM, nodes)
    path = path_of_arcs([Arc(case.arc_mm, 1 / case.radius_mm)], level, case.wall_radius(level))
    station = np.arange(0.0, 20.0, 0.01)
    return rod_in_canal(path, Rod(case.instrument_radius(station), 0.01, LAWS[case.law]))
