"""What the compiled drive of a pass is given, and the room in which it leaves its record.

Private to shaping and to what computes very many passes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.geometry.sections import directions_rad
from canalwright.instruments.alloys import AlloySet
from canalwright.instruments.instrument import Instrument
from canalwright.mechanics.rod import Rod, rod_of_instrument
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.shape import Pass

__all__ = ["DriveRecord", "DrivenRod", "circle", "drive", "driven_rod"]

Floats = NDArray[np.float64]

_STEP_TOLERANCE_MM: Final = 1e-6
_FORCE_TOLERANCE_N: Final = 1e-9
_LOOSE_FORCE_PER_STIFFNESS: Final = 1e-5
_WEAK_PER_STIFFNESS: Final = 3e-6
_STIFFNESS_STATION_MM: Final = 5.0
_PATIENCE: Final = 120.0


@dataclass(frozen=True, eq=False)
class DrivenRod:
    """An instrument's rod with what the drive derives from it.

    Attributes
    ----------
    rod : Rod
    wider, wider_slope : ndarray
        How its sections differ from that of the tip, and the slope of that.
    weak_n_per_mm2 : float
        Spring that holds the rod where no wall does.
    limits : ndarray, shape (4,)
        When a solution counts as found.
    """

    rod: Rod
    wider: Floats
    wider_slope: Floats
    weak_n_per_mm2: float
    limits: Floats

    @classmethod
    def of(cls, rod: Rod) -> DrivenRod:
        """Return a rod made ready."""
        stiffness = rod.bending_stiffness_nmm2(_STIFFNESS_STATION_MM)
        wider = np.zeros_like(rod.radius_mm) if rod.wider is None else rod.wider
        loose = _LOOSE_FORCE_PER_STIFFNESS * stiffness
        return cls(
            rod,
            wider,
            np.gradient(wider, rod.step_mm),
            _WEAK_PER_STIFFNESS * stiffness,
            np.array([_STEP_TOLERANCE_MM, _FORCE_TOLERANCE_N, loose, _PATIENCE]),
        )


@dataclass(frozen=True, eq=False)
class DriveRecord:
    """Room for what a drive leaves behind; see `canalwright.shaping.off_center_step.Visits`."""

    visit: Floats
    offset_mm: Floats
    disc_mm: Floats
    tilt: Floats
    force_n_per_mm: Floats
    strain: Floats

    @classmethod
    def of(cls, tips: int, levels: int) -> DriveRecord:
        """Return empty room for a drive through so many tips."""
        from canalwright.shaping.pass_kernel import MOST_PARTS, VISIT_COLUMNS

        most = MOST_PARTS * tips
        return cls(
            np.zeros((most, VISIT_COLUMNS)),
            np.zeros((most, 2, levels, 2)),
            np.zeros((most, levels)),
            np.zeros((most, levels, 2)),
            np.zeros((most, levels, 2)),
            np.zeros((most, levels)),
        )


def drive(
    sections: Floats,
    made: Pass,
    axis: CanalAxis,
    planar: bool,
    driven: DrivenRod,
    tips: Floats,
    turns: Floats,
    *,
    depth_per_turn_mm2_per_n: float,
    stroke_mm: float,
    wall_n_per_mm2: float,
    nodes: int,
    record: DriveRecord,
) -> int:
    """Lead an instrument through its tips, changing `sections`; return the number of visits."""
    from canalwright.shaping.pass_kernel import drive_pass

    cosine, sine = circle(sections.shape[1])
    frame, turn, binormal = axis.plane_frame
    rod = driven.rod
    count: int = drive_pass(
        sections,
        cosine,
        sine,
        axis.level_mm,
        axis.coefficient,
        axis.direction0,
        axis.bend_per_mm,
        axis.steady_mm,
        planar,
        frame,
        turn,
        binormal,
        rod.radius_mm,
        rod.step_mm,
        driven.wider,
        driven.wider_slope,
        made.loose_mm,
        made.instrument.cutting_length_mm,
        rod.law.table,
        rod.law.step,
        wall_n_per_mm2,
        driven.weak_n_per_mm2,
        driven.limits.copy(),
        tips,
        turns,
        depth_per_turn_mm2_per_n,
        stroke_mm,
        nodes,
        record.visit,
        record.offset_mm,
        record.disc_mm,
        record.tilt,
        record.force_n_per_mm,
        record.strain,
    )
    return count


@lru_cache(maxsize=256)
def driven_rod(instrument: Instrument, alloy: AlloySet | None) -> DrivenRod:
    """Return the rod of an instrument made ready; the same object for the same instrument."""
    return DrivenRod.of(rod_of_instrument(instrument, alloy))


@lru_cache(maxsize=16)
def circle(count: int) -> tuple[Floats, Floats]:
    """Return cosine and sine of evenly spaced directions."""
    theta = directions_rad(count)
    return np.cos(theta), np.sin(theta)
