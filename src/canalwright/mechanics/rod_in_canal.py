"""An instrument as an elastic rod inside a canal: its true shape, contacts and forces.

The instrument is an inextensible rod; its nodes move on the canal's normal planes and its axis
stays within the clearance of the canal's, up to the give of a stiff wall. The equilibrium of
bending energy is found by a semismooth Newton method on the exact banded Hessian, with the axial
force that inextensibility and the push on the handle demand.

Valid for round and oval canals, no wall friction in the equilibrium, no hysteresis of the alloy
and no weight. A binding instrument (larger than the canal) is held on the axis: its wall force
says where it is pressed by bending, not how hard it is wedged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution, merged
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.instruments.instrument import Alloy, Instrument
from canalwright.mechanics.alloy_laws import STEEL_STRAIN_VALIDITY
from canalwright.mechanics.canal_path import NO_WALL_MM, CanalPath, path_of_canal
from canalwright.mechanics.fatigue import STRAIN_VALIDITY
from canalwright.mechanics.rod import Rod, rod_of_instrument

__all__ = [
    "DEFAULT_WALL_STIFFNESS",
    "Convergence",
    "RodInCanal",
    "instrument_in_canal",
    "rod_in_canal",
]

Floats = NDArray[np.float64]

DEFAULT_WALL_STIFFNESS: Final = Graded(
    5000.0,
    "N/mm per mm",
    Evidence.ASSUMED,
    note="about a third of the elastic modulus of dentin; ten times more changes main forces "
    "little",
)

NOT_CONVERGED: Final = Caution(
    "ROD_NOT_CONVERGED",
    "The shape of the instrument in the canal was not found to the usual accuracy; do not use "
    "these forces.",
    "project rule",
)
ROD_BINDS: Final = Caution(
    "ROD_BINDS",
    "The instrument is larger than the canal at some levels and is held on the canal's axis there: "
    "it follows the measured axis with all its noise, and how hard it is wedged is not in these "
    "forces.",
    "project rule",
)
ROD_MODEL: Final = Caution(
    "ROD_MODEL",
    "Shape, strain and wall forces are computed for round or oval sections without friction, with "
    "alloy values from memory; they are estimates, not measurements.",
    "project rule",
)

# A spring on the axis, weak enough to be unseen, that places a rod nothing else holds.
# Per bending stiffness of the rod 5 mm from its tip, in N·mm².
_WEAK_PER_STIFFNESS: Final = 3e-6
_LOOSE_FORCE_PER_STIFFNESS: Final = 1e-5
_STEP_TOLERANCE_MM: Final = 1e-8
_FORCE_TOLERANCE_N: Final = 1e-10
_MOST_ITERATIONS: Final = 120
# Where the search creeps along a stiff round wall, it is started anew with a softer one.
_SOFTER_WALLS: Final = (0.003, 0.02, 0.1, 0.4, 1.0)
_RETRY_ITERATIONS: Final = 400


@dataclass(frozen=True, slots=True)
class Convergence:
    """Evidence that an equilibrium was found.

    Attributes
    ----------
    converged : bool
    iterations : int
    step_mm : float
        Largest change of the last Newton step.
    residual_n : float
        Largest unbalanced nodal force.
    """

    converged: bool
    iterations: int
    step_mm: float
    residual_n: float


@dataclass(frozen=True, eq=False)
class RodInCanal:
    """An instrument at rest in a canal, node by node from the tip.

    Attributes
    ----------
    path : CanalPath
    station_mm : ndarray, shape (n,)
        Arc length along the instrument.
    offset_mm : ndarray, shape (n, 2)
        Offset of the instrument's axis from the canal's along the two normals.
    clearance_mm : ndarray, shape (n,)
        Canal radius less instrument radius along the narrow axis, negative where it binds.
    radius_mm : ndarray, shape (n,)
        Circumscribed radius of the instrument.
    curvature_per_mm : ndarray, shape (n,)
        Curvature of the instrument.
    strain : ndarray, shape (n,)
        Surface strain (ratio) of a turning instrument, κ × radius.
    wall_force_n : ndarray, shape (n,)
        Force between the wall and each node.
    wall_direction : ndarray, shape (n, 2)
        Unit vectors, along the two normals, from each node into the wall; meaningful where
        there is a force, which pushes the other way.
    energy_nmm : float
        Stored bending energy.
    insertion_force_n : float
        Axial push on the handle that holds the instrument here without friction; negative when
        the instrument wants to go deeper.
    convergence : Convergence
    cautions : tuple of Caution
    """

    path: CanalPath
    station_mm: Floats
    offset_mm: Floats
    clearance_mm: Floats
    radius_mm: Floats
    curvature_per_mm: Floats
    strain: Floats
    wall_force_n: Floats
    wall_direction: Floats
    energy_nmm: float
    insertion_force_n: float
    convergence: Convergence
    cautions: tuple[Caution, ...]

    @property
    def level_mm(self) -> Floats:
        """Levels of the nodes."""
        return self.path.level_mm

    @property
    def position_mm(self) -> Floats:
        """Points of the instrument's axis in space, shape (n, 3)."""
        return self.path.points_mm(self.offset_mm)


def instrument_in_canal(
    canal: Canal,
    instrument: Instrument,
    tip_level_mm: float,
    *,
    nodes: int = 200,
    wall_stiffness_n_per_mm2: float = DEFAULT_WALL_STIFFNESS.value,
    held: bool = False,
) -> RodInCanal:
    """Return an instrument at rest in a measured canal.

    Parameters
    ----------
    canal : Canal
    instrument : Instrument
    tip_level_mm : float
        Level of the tip, negative past the terminus.
    nodes : int
        At least 20; 200 keep main forces within about 1 %.
    wall_stiffness_n_per_mm2 : float
        Give of the wall: force per length over depth.
    held : bool
        True when the handle is held in line with the canal's coronal axis (8 mm above the
        orifice); False when the hand lets it find its own line.
    """
    beyond = 8.0 if held else 2.0
    path = path_of_canal(canal, tip_level_mm, nodes=nodes, beyond_orifice_mm=beyond)
    rod = rod_of_instrument(instrument)
    return rod_in_canal(path, rod, wall_stiffness_n_per_mm2=wall_stiffness_n_per_mm2, held=held)


def rod_in_canal(
    path: CanalPath,
    rod: Rod,
    *,
    wall_stiffness_n_per_mm2: float = DEFAULT_WALL_STIFFNESS.value,
    held: bool = False,
    start: RodInCanal | None = None,
) -> RodInCanal:
    """Return a rod at rest in a canal path.

    Parameters
    ----------
    path : CanalPath
    rod : Rod
    wall_stiffness_n_per_mm2 : float
        Above 0.
    held : bool
        Whether the coronal end is held on the path's axis and direction.
    start : RodInCanal, optional
        A solution on the same number of nodes to start from.

    Raises
    ------
    OutOfRange
        If the wall stiffness is not above 0, or the path is longer than the rod.
    """
    if not wall_stiffness_n_per_mm2 > 0.0:
        raise OutOfRange(
            name="wall stiffness",
            got=wall_stiffness_n_per_mm2,
            unit="N/mm²",
            allowed=(0.0, None),
            above=True,
        )
    span, reach = path.level_mm[-1] - path.level_mm[0], (len(rod.radius_mm) - 1) * rod.step_mm
    if span > 0.95 * reach:
        raise OutOfRange(
            name="length of the path", got=span, unit="mm", allowed=(0.0, 0.95 * reach)
        )
    state = _State(path, rod, wall_stiffness_n_per_mm2, held, start)
    return state.solve()


class _State:
    """Work arrays of one solution."""

    def __init__(
        self, path: CanalPath, rod: Rod, wall: float, held: bool, start: RodInCanal | None
    ) -> None:
        from canalwright.mechanics import rod_numerics as column

        count = path.level_mm.size
        self.path, self.rod, self.wall = path, rod, wall
        self.offset = np.zeros((count, 2)) if start is None else start.offset_mm.copy()
        self.node = np.zeros((count, column.NODE_COLUMNS))
        gaps = np.diff(path.level_mm)
        self.node[:-1, column.WEIGHT] += gaps / 2.0
        self.node[1:, column.WEIGHT] += gaps / 2.0
        self.node[:, column.WALL] = path.wall_radius_mm
        self.node[:, column.WALL_NARROW] = path.narrow_radius_mm
        self._fill_sections()
        turned = np.zeros(count) if path.wide_direction_rad is None else path.wide_direction_rad
        self.node[:, column.COSINE], self.node[:, column.SINE] = np.cos(turned), np.sin(turned)
        self.hinge = np.zeros((count, column.HINGE_COLUMNS))
        self.axial = np.zeros(count - 1)
        self.hold = np.zeros(count)
        if held:
            self.hold[-2:] = 1e3
        stiffness = rod.bending_stiffness_nmm2(5.0)
        self.weak = _WEAK_PER_STIFFNESS * stiffness
        self.limits = np.array(
            [
                _STEP_TOLERANCE_MM,
                _FORCE_TOLERANCE_N,
                _LOOSE_FORCE_PER_STIFFNESS * stiffness,
                float(_MOST_ITERATIONS),
            ]
        )

    def _fill_sections(self) -> None:
        from canalwright.mechanics import rod_numerics as column

        if self.rod.wider is None:
            return
        station = self.path.level_mm - self.path.level_mm[0]
        grid = np.arange(self.rod.wider.size) * self.rod.step_mm
        slope = np.gradient(self.rod.wider, self.rod.step_mm)
        self.node[:, column.WIDER] = np.interp(station, grid, self.rod.wider)
        self.node[:, column.WIDER_SLOPE] = np.interp(station, grid, slope)

    def solve(self) -> RodInCanal:
        found = self._run(self.wall, _MOST_ITERATIONS)
        for share in () if found.converged else _SOFTER_WALLS:
            if share == _SOFTER_WALLS[0]:
                self.offset[:], self.axial[:] = 0.0, 0.0
            more = self._run(share * self.wall, _RETRY_ITERATIONS)
            found = replace(more, iterations=found.iterations + more.iterations)
        return self._result(found)

    def _run(self, wall: float, most: int) -> Convergence:
        self.limits[-1] = float(most)
        rest = (
            self.node,
            self.hinge,
            self.axial,
            self.rod.radius_mm,
            self.rod.step_mm,
            self.rod.law.table,
            self.rod.law.step,
            wall,
            self.weak,
            self.hold,
            self.limits,
        )
        run = self._planar if self.path.is_planar else self._spatial
        return Convergence(*run(rest))

    def _planar(self, rest: tuple[Any, ...]) -> tuple[bool, int, float, float]:
        from canalwright.mechanics.rod_planar import solve_planar

        path = self.path
        along, across = path.normal_1[0], np.cross(path.normal_2[0], path.normal_1[0])
        plane = np.stack([across, along], axis=1)
        offset = np.ascontiguousarray(self.offset[:, 0])
        center = (path.center_mm - path.center_mm[0]) @ plane
        count, step, force, done = solve_planar(offset, center, path.normal_1 @ plane, *rest)
        self.offset[:, 0], self.offset[:, 1] = offset, 0.0
        return done, count, step, force

    def _spatial(self, rest: tuple[Any, ...]) -> tuple[bool, int, float, float]:
        from canalwright.mechanics.rod_spatial import solve_spatial

        frame = np.ascontiguousarray(np.stack([self.path.normal_1, self.path.normal_2], axis=1))
        center = np.ascontiguousarray(self.path.center_mm)
        count, step, force, done = solve_spatial(self.offset, center, frame, *rest)
        return done, count, step, force

    def _result(self, convergence: Convergence) -> RodInCanal:
        from canalwright.mechanics import rod_numerics as column
        from canalwright.mechanics.rod_wall import wall_depths

        node, hinge = self.node, self.hinge
        radius = node[:, column.RADIUS].copy()
        depth, direction = wall_depths(self.offset, node)
        curvature = np.abs(hinge[:, column.CURVATURE])
        clearance, strain = node[:, column.WALL_NARROW] - radius, curvature * radius
        edges = np.linalg.norm(np.diff(self.path.points_mm(self.offset), axis=0), axis=1)
        return RodInCanal(
            path=self.path,
            station_mm=np.concatenate([[0.0], np.cumsum(edges)]),
            offset_mm=self.offset,
            clearance_mm=clearance,
            radius_mm=radius,
            curvature_per_mm=curvature,
            strain=strain,
            wall_force_n=self.wall * node[:, column.WEIGHT] * depth,
            wall_direction=direction,
            energy_nmm=float(np.sum(hinge[:, column.LENGTH] * hinge[:, column.ENERGY])),
            insertion_force_n=float(-self.axial[-1]),
            convergence=convergence,
            cautions=self._cautions(convergence, clearance, float(np.max(strain))),
        )

    def _cautions(
        self, convergence: Convergence, clearance: Floats, peak_strain: float
    ) -> tuple[Caution, ...]:
        walled = self.path.wall_radius_mm < NO_WALL_MM
        steel = self.rod.alloy is Alloy.STAINLESS
        validity = STEEL_STRAIN_VALIDITY if steel else STRAIN_VALIDITY
        return merged(
            (ROD_MODEL,),
            () if convergence.converged else (NOT_CONVERGED,),
            (ROD_BINDS,) if np.any(clearance[walled] < 0.0) else (),
            validity.cautions(peak_strain),
        )
