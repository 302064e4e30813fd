"""A file in a tube, relaxed with PyElastica: a general Cosserat rod against penalty walls.

Only `rod_in_canal.py` uses this, and only when ``pyelastica`` is installed beside the package.
The rod has the same radii, modulus and wall stiffness; it may shear and stretch. It starts on
the canal's axis and is damped until it hardly moves.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import elastica
import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalwright.mechanics.canal_path import path_of_arcs
from canalwright.mechanics.rod_in_canal import RodInCanal

if TYPE_CHECKING:
    from rod_in_canal import Case, Found

Floats = NDArray[np.float64]

WAVE_MM_PER_S = 1000.0
DAMPING_PER_S = 10.0
BLOCK_S = 0.2
LONGEST_S = 4.0
SETTLED_MM_PER_S = 2e-3
AXIAL_SPRING_N_PER_MM = 2000.0
BELOW_MM, ABOVE_MM, STEP_MM = 1.0, 2.0, 0.001


@njit(cache=True)
def wall_forces(
    position: Floats,
    forces: Floats,
    nearest: NDArray[np.int64],
    axis: Floats,
    tangent: Floats,
    radius: Floats,
    wall: Floats,
    stiffness: Floats,
    found: Floats,
) -> None:
    """Add the force of the wall on every node; `nearest` follows each node along the axis."""
    offset = np.zeros(3)
    for i in range(position.shape[1]):
        j = nearest[i]
        along = 0.0
        for _ in range(4):  # rounding may leave it one step to and fro
            along = 0.0
            for a in range(3):
                along += (position[a, i] - axis[j, a]) * tangent[j, a]
            move = round(along / STEP_MM)
            if move == 0 or j + move < 0 or j + move >= axis.shape[0]:
                break
            j += move
        nearest[i] = j
        size = 0.0
        for a in range(3):
            offset[a] = position[a, i] - axis[j, a] - along * tangent[j, a]
            size += offset[a] * offset[a]
        size = np.sqrt(size)
        slope = (wall[j + 1] - wall[j]) / STEP_MM if j + 1 < wall.shape[0] else 0.0
        gap = wall[j] + slope * along - radius[i]
        if gap < 0.0:
            gap, slope = 0.0, 0.0
        found[i] = max(size - gap, 0.0) * stiffness[i]
        if found[i] > 0.0:
            for a in range(3):
                forces[a, i] -= found[i] * (offset[a] / size - slope * tangent[j, a])


class Tube(elastica.NoForces):  # type: ignore[misc]
    """Walls, and an axial spring that holds the handle's end at its distance."""

    def __init__(self, **arrays: Any) -> None:
        super().__init__()
        self.__dict__.update(arrays)
        self.push_n = 0.0
        LAST.append(self)

    def apply_forces(self, system: Any, time: Any = 0.0) -> None:
        position, forces = system.position_collection, system.external_forces
        wall_forces(
            position,
            forces,
            self.nearest,
            self.axis,
            self.tangent,
            self.radius,
            self.wall,
            self.stiffness,
            self.found,
        )
        ahead = float((position[:, -1] - self.handle_mm) @ self.handle_tangent)
        self.push_n = AXIAL_SPRING_N_PER_MM * ahead
        forces[:, -1] -= self.push_n * self.handle_tangent


LAST: list[Any] = []


class Simulation(elastica.BaseSystemCollection, elastica.Forcing, elastica.Damping):  # type: ignore[misc]
    """What is switched on in the library."""


def relaxed(
    case: Case,
    guess: RodInCanal,
    length_mm: float,
    modulus_mpa: float,
    wall: float,
    shear_factor: float = 1.0,
    elements: int = 120,
) -> Found:
    """Return the library's rod at rest; `guess` only gives the length of rod inside the canal.

    `shear_factor` multiplies the shear modulus, to come near a rod that cannot shear. Seconds are
    those of the processor, so that other work on the machine does not count.
    """
    from rod_in_canal import Found

    rod_mm = float(guess.station_mm[-1])
    rod, tube, simulation = _scene(
        case, rod_mm, length_mm, modulus_mpa, wall, shear_factor, elements
    )
    stepper = elastica.PositionVerlet()
    step = _time_step_s(rod_mm, shear_factor, elements)
    start, now = time.process_time(), np.float64(0.0)
    while float(now) < LONGEST_S:
        for _ in range(round(BLOCK_S / step)):
            now = stepper.step(simulation, now, np.float64(step))
        if np.max(np.abs(rod.velocity_collection)) < SETTLED_MM_PER_S:
            break
    seconds = time.process_time() - start
    bend = np.linalg.norm(rod.kappa[:2], axis=0)
    stations = np.cumsum(rod.rest_lengths)[:-1]
    strain = float(np.max(bend * case.file_radius(stations)))
    return Found(strain, tuple(_groups(tube)), tube.push_n, seconds)


def _time_step_s(rod_mm: float, shear_factor: float, elements: int) -> float:
    fastest = WAVE_MM_PER_S * max(1.0, shear_factor / 2.66) ** 0.5
    return 0.2 * rod_mm / elements / fastest


def _scene(
    case: Case,
    rod_mm: float,
    length_mm: float,
    modulus_mpa: float,
    wall: float,
    shear_factor: float,
    elements: int,
) -> tuple[Any, Any, Any]:
    fine = path_of_arcs(case.arcs, np.arange(-BELOW_MM, length_mm + ABOVE_MM, STEP_MM), np.zeros(1))
    tangent = np.cross(fine.normal_1, fine.normal_2)
    node = np.linspace(0.0, rod_mm, elements + 1)
    at = path_of_arcs(case.arcs, node, np.zeros(1))
    middle = (node[1:] + node[:-1]) / 2
    rod = elastica.CosseratRod.straight_rod(
        elements,
        np.zeros(3),
        np.array([1.0, 0.0, 0.0]),
        np.array([0.0, 1.0, 0.0]),
        rod_mm,
        case.file_radius(middle),
        modulus_mpa / WAVE_MM_PER_S**2,
        youngs_modulus=modulus_mpa,
        shear_modulus=shear_factor * modulus_mpa / 2.66,
    )
    rod.position_collection[:] = at.center_mm.T
    _point(rod, at.center_mm, at.normal_1)
    spacing = rod_mm / elements
    weight = np.full(elements + 1, wall * spacing)
    weight[[0, -1]] /= 2
    end = path_of_arcs(case.arcs, np.array([length_mm]), np.zeros(1))
    handle_tangent = np.cross(end.normal_1, end.normal_2)[0]
    simulation = Simulation()
    simulation.append(rod)
    LAST.clear()
    simulation.add_forcing_to(rod).using(
        Tube,
        nearest=np.round((node + BELOW_MM) / STEP_MM).astype(np.int64),
        axis=fine.center_mm,
        tangent=tangent,
        radius=case.file_radius(node),
        wall=case.wall_radius(fine.level_mm),
        stiffness=weight,
        found=np.zeros(elements + 1),
        handle_mm=end.center_mm[0],
        handle_tangent=handle_tangent,
    )
    simulation.dampen(rod).using(
        elastica.AnalyticalLinearDamper,
        uniform_damping_constant=DAMPING_PER_S,
        time_step=_time_step_s(rod_mm, shear_factor, elements),
    )
    simulation.finalize()
    return rod, LAST[-1], simulation


def _point(rod: Any, center: Floats, normal: Floats) -> None:
    """Turn the directors along the canal's axis."""
    edge = np.diff(center, axis=0)
    along = edge / np.linalg.norm(edge, axis=1, keepdims=True)
    first = (normal[1:] + normal[:-1]) / 2
    first = first - np.sum(first * along, axis=1, keepdims=True) * along
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    rod.director_collection[0] = first.T
    rod.director_collection[1] = np.cross(along, first).T
    rod.director_collection[2] = along.T


def _groups(tube: Any) -> list[float]:
    touching = tube.found > 0.0
    breaks = np.flatnonzero(np.diff(touching.astype(int))) + 1
    pieces = np.split(np.arange(touching.size), breaks)
    return [float(tube.found[p].sum()) for p in pieces if touching[p[0]]]
