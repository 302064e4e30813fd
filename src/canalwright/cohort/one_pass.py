"""One pass through a virtual canal in numbers: the drive of `simulate`, without its tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.cutting import cutting_torque_nmm
from canalwright.mechanics.fatigue import cycles_from_time
from canalwright.mechanics.parameters import LoadParameters
from canalwright.mechanics.rod_in_canal import DEFAULT_WALL_STIFFNESS
from canalwright.mechanics.torsion import plastic_capacity_nmm
from canalwright.planning.loads import speed_rpm
from canalwright.planning.times import TimeModel
from canalwright.shaping.axis import PLANAR_WITHIN_MM, CanalAxis
from canalwright.shaping.driving import DrivenRod, DriveRecord, circle, drive, driven_rod
from canalwright.shaping.handling import Handling
from canalwright.shaping.off_center import require_passable, turn_shares
from canalwright.shaping.shape import Pass, Shape
from canalwright.shaping.wear import DEFAULT_WEAR

__all__ = ["COARSE", "PassResult", "Resolution", "State", "Tool", "Work"]

Floats = NDArray[np.float64]

_END_MM: Final = 0.1  # of the advance, over which the rate of cutting at depth is taken
_ROOM_MM: Final = 1.0
_STATION_STEP_MM: Final = 0.25
_STATIONS: Final = 96
_TABLE_STEP_MM: Final = 0.05
_TABLE_MM: Final = np.arange(0.0, 60.0, _TABLE_STEP_MM)


@dataclass(frozen=True, slots=True)
class Resolution:
    """How finely passes are computed: nodes of the rod, and insertion depths."""

    nodes: int
    depths: int


COARSE: Final = Resolution(nodes=40, depths=4)
"""Strain, torque and wall within a few percent of the usual resolution, at a quarter of the time.
"""


@dataclass(frozen=True, slots=True, eq=False)
class PassResult:
    """One pass in numbers.

    Attributes
    ----------
    instrument : Instrument
    step_percent, step_mm, torque_ncm, torque_fraction, strain : float
        Largest of the pass.
    removed_mm3, time_s, wall_left_mm, shift_mm : float
        Dentin removed in it, time in the canal; the thinnest wall, and the largest way of the
        sections' centroids since the untouched canal, after it.
    fatigue_used : ndarray or None
        Share of mean life used per station; None without a test point.
    at_rest : bool
        Whether the rod came to rest at every depth.
    """

    instrument: Instrument
    step_percent: float
    step_mm: float
    torque_ncm: float
    torque_fraction: float
    strain: float
    removed_mm3: float
    time_s: float
    wall_left_mm: float
    shift_mm: float
    fatigue_used: Floats | None
    at_rest: bool


@dataclass(frozen=True, slots=True, eq=False)
class Tool:
    """A pass with what its instrument brings into every canal.

    Attributes
    ----------
    made : Pass
    knot_at_mm, knot_mm : ndarray
        Stations and diameters of the instrument's profile.
    driven : DrivenRod
    turning_rpm : float
    """

    made: Pass
    knot_at_mm: Floats
    knot_mm: Floats
    driven: DrivenRod
    turning_rpm: float
    _capacities: dict[float, Floats] = field(default_factory=dict)

    @classmethod
    def of(cls, made: Pass, times: TimeModel) -> Tool:
        """Return a pass made ready."""
        instrument = made.instrument
        return cls(
            made,
            np.array(instrument.knot_station_mm, float),
            np.array(instrument.knot_diameter_mm, float),
            driven_rod(instrument, None),
            speed_rpm(instrument, times),
        )

    def capacity_nmm(self, strength_mpa: float) -> Floats:
        """Return the torque that the instrument carries, at even stations from its tip."""
        if strength_mpa not in self._capacities:
            table = plastic_capacity_nmm(self.made.instrument, _TABLE_MM, strength_mpa)
            self._capacities[strength_mpa] = table
        return self._capacities[strength_mpa]


class State(NamedTuple):
    """The canal between two passes.

    Attributes
    ----------
    sections_mm : ndarray, shape (n, directions)
    free_mm : ndarray, shape (n,)
        Diameter of the largest circle known to fit.
    area_mm2 : ndarray, shape (n,)
    volume_mm3 : float
    """

    sections_mm: Floats
    free_mm: Floats
    area_mm2: Floats
    volume_mm3: float


@dataclass(frozen=True, slots=True, eq=False)
class Work:
    """One canal made ready for passes; one for each process that works on it.

    Attributes
    ----------
    canal : Canal
    axis : CanalAxis
    parameters : LoadParameters
        Of this tooth.
    times : TimeModel
    resolution : Resolution
    record : DriveRecord
        Written anew by every pass.
    """

    canal: Canal
    axis: CanalAxis
    parameters: LoadParameters
    times: TimeModel
    resolution: Resolution
    record: DriveRecord
    _shares: Floats
    _first_mm: Floats
    _first: State

    @classmethod
    def on(
        cls, canal: Canal, parameters: LoadParameters, times: TimeModel, resolution: Resolution
    ) -> Work:
        """Return a canal made ready.

        Raises
        ------
        OutOfRange
            If it is closed somewhere, or there are fewer than 20 nodes.
        """
        from canalwright.cohort.pass_ending import shape_numbers

        axis, sections = CanalAxis.of(canal), np.ascontiguousarray(canal.radius_mm, float)
        shape = Shape(axis.level_mm, sections, canal.outer_radius_mm)
        require_passable(shape, axis, DEFAULT_WALL_STIFFNESS.value, resolution.nodes)
        waves = circle(sections.shape[1])
        area, centroid, volume = shape_numbers(axis.level_mm, sections, axis.bend_per_mm, *waves)
        record = DriveRecord.of(resolution.depths, len(axis.level_mm))
        first = State(sections, shape.inscribed_mm, area, volume)
        shares = turn_shares(Handling(depths=resolution.depths))
        return cls(canal, axis, parameters, times, resolution, record, shares, centroid, first)

    def start(self) -> State:
        """Return the untouched canal."""
        return self._first

    def one(self, state: State, tool: Tool) -> tuple[PassResult, State]:
        """Carry out one pass.

        Raises
        ------
        OutOfRange
            If the canal ends less than 1 mm above the level it goes to, or the pass would take
            longer than an hour.
        """
        self._require_room(tool.made)
        tips = np.empty(self.resolution.depths)
        removed_mm2 = np.empty(len(self.axis.level_mm))
        mirrors, grown_mm3, depth_mm = self._begun(state, tool, tips, removed_mm2)
        working_s = self.times.working_s(tool.made.instrument.kind, grown_mm3)
        sections, visits = self._driven(state, tool, tips, mirrors, working_s)
        rate = self._cutting_nmm_per_mm3(tool, depth_mm, working_s)
        return self._ended(state, tool, sections, visits, working_s, removed_mm2, rate)

    def _require_room(self, made: Pass) -> None:
        most = float(self.axis.level_mm[-1]) - _ROOM_MM
        if made.tip_level_mm > most:
            raise OutOfRange(
                name=f"tip level of {made.instrument.id}",
                got=made.tip_level_mm,
                unit="mm",
                allowed=(-2.0, most),
                hint="This canal ends less than 1 mm above it.",
            )

    def _begun(
        self, state: State, tool: Tool, tips: Floats, removed_mm2: Floats
    ) -> tuple[bool, float, float]:
        from canalwright.cohort.pass_beginning import begin_pass

        made, axis = tool.made, self.axis
        mirrors, grown_mm3, depth_mm = begin_pass(
            axis.level_mm, state.sections_mm, state.free_mm, state.area_mm2, *axis.mirror_image,
            PLANAR_WITHIN_MM, tool.knot_at_mm, tool.knot_mm, made.instrument.cutting_length_mm,
            made.tip_level_mm, made.loose_mm, _END_MM, tips, removed_mm2,
        )  # fmt: skip
        return mirrors and axis.plane is not None, grown_mm3, depth_mm

    def _driven(
        self, state: State, tool: Tool, tips: Floats, planar: bool, working_s: float
    ) -> tuple[Floats, int]:
        """Return the sections after the drive, and how many visits it recorded."""
        how = Handling(
            depths=self.resolution.depths, working_s=working_s, speed_rpm=tool.turning_rpm
        )
        sections = state.sections_mm.copy()
        self.record.strain[:] = 0.0  # below the instrument's tip the drive writes nothing
        visits = drive(
            sections, tool.made, self.axis, planar, tool.driven, tips,
            how.turns(tool.made.instrument) * self._shares,
            depth_per_turn_mm2_per_n=DEFAULT_WEAR.depth_per_turn_mm2_per_n,
            stroke_mm=how.stroke_mm, wall_n_per_mm2=DEFAULT_WALL_STIFFNESS.value,
            nodes=self.resolution.nodes, record=self.record,
        )  # fmt: skip
        return sections, visits

    def _cutting_nmm_per_mm3(self, tool: Tool, depth_mm: float, working_s: float) -> float:
        """Return the cutting torque per volume removed in the last part of the advance."""
        if depth_mm <= 0.0:
            return 0.0
        feed = depth_mm / (working_s * self.parameters.advancing_share.value)
        energy = self.parameters.specific_cutting_energy_j_per_mm3.value
        rate = feed / min(_END_MM, depth_mm)
        return float(cutting_torque_nmm(energy, rate, tool.turning_rpm))

    def _ended(
        self,
        state: State,
        tool: Tool,
        sections: Floats,
        visits: int,
        working_s: float,
        removed_mm2: Floats,
        cutting_nmm_per_mm3: float,
    ) -> tuple[PassResult, State]:
        from canalwright.cohort.pass_ending import END_NUMBERS, end_pass

        made, axis, record, given = tool.made, self.axis, self.record, self.parameters
        instrument, numbers = made.instrument, np.empty(END_NUMBERS)
        coefficient = given.fatigue_coefficient_of(instrument)
        used = None if coefficient is None else np.empty(_STATIONS)
        after = end_pass(
            axis.level_mm, state.sections_mm, sections, state.free_mm, self.canal.outer_radius_mm,
            axis.bend_per_mm, *circle(sections.shape[1]), axis.outward, self._first_mm,
            tool.knot_at_mm, tool.knot_mm, instrument.cutting_length_mm, made.tip_level_mm,
            made.loose_mm, record.disc_mm[:visits], record.strain[visits - 1],
            record.force_n_per_mm[visits - 1], removed_mm2, cutting_nmm_per_mm3,
            given.friction_coefficient.value,
            tool.capacity_nmm(given.strength_of(instrument).value), _TABLE_STEP_MM,
            np.nan if coefficient is None else coefficient.value, given.fatigue_exponent.value,
            float(cycles_from_time(tool.turning_rpm, working_s)),
            numbers if used is None else used, _STATION_STEP_MM, numbers,
        )  # fmt: skip
        return self._result(state, tool, visits, working_s, numbers, after[2], used), State(
            sections, *after
        )

    def _result(
        self,
        state: State,
        tool: Tool,
        visits: int,
        working_s: float,
        numbers: Floats,
        volume_mm3: float,
        used: Floats | None,
    ) -> PassResult:
        from canalwright.shaping.pass_kernel import CONVERGED

        step_mm, step_percent, torque_nmm, share, strain, wall_mm, shift_mm = numbers.tolist()
        return PassResult(
            instrument=tool.made.instrument,
            step_percent=step_percent,
            step_mm=step_mm,
            torque_ncm=torque_nmm / 10.0,
            torque_fraction=share,
            strain=strain,
            removed_mm3=volume_mm3 - state.volume_mm3,
            time_s=working_s,
            wall_left_mm=wall_mm,
            shift_mm=shift_mm,
            fatigue_used=used,
            at_rest=bool((self.record.visit[:visits, CONVERGED] > 0.0).all()),
        )
