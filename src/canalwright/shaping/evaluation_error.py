"""The error of an evaluation: registration, both walls and both axes, carried into its figures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.evidence import Evidence, Graded
from canalwright.geometry.alignment import Alignment
from canalwright.shaping.evaluation_types import Estimate
from canalwright.shaping.pairing import CanalPair

__all__ = [
    "AXIS_SD",
    "WallError",
    "angle_sd_deg",
    "change",
    "surface_sd_mm2",
    "volume_sd_mm3",
    "wall_error",
]

Floats = NDArray[np.float64]

AXIS_SD: Final = Graded(
    0.03,
    "voxel",
    Evidence.COMPUTED,
    note="error of a measured canal axis over the voxel size: twice what simulated images show",
)

_BENDING_WAVE_MM = 3.0


@dataclass(frozen=True, eq=False)
class WallError:
    """Standard deviations along the common levels, each of shape (n,), and draws.

    Attributes
    ----------
    radius_before_mm, radius_after_mm : ndarray
        Of the wall from its axis; alike in all directions and along the whole canal.
    axis_mm : float
        Of one axis in one direction.
    registration_mm : ndarray, shape (n, directions)
        Along every ray.
    depth_draws_mm : ndarray, shape (samples, n, directions)
        Drawn changes of the distance between the walls.
    """

    radius_before_mm: Floats
    radius_after_mm: Floats
    axis_mm: float
    registration_mm: Floats
    depth_draws_mm: Floats

    @property
    def wall_mm(self) -> Floats:
        """Of a wall's movement in one direction, shape (n,)."""
        walls = self.radius_before_mm**2 + self.radius_after_mm**2 + 2.0 * self.axis_mm**2
        return np.asarray(np.sqrt(walls + np.mean(self.registration_mm**2, axis=1)), float)

    def transportation_mm(self, registration_mm: Floats) -> Floats:
        """Of a transportation, from the registration's error along its direction, shape (n,).

        Both sides move with the registration and with the axes, so these count twice.
        """
        walls = 2.0 * (self.radius_before_mm**2 + self.radius_after_mm**2)
        shifted = 4.0 * (registration_mm**2 + 2.0 * self.axis_mm**2)
        return np.asarray(np.sqrt(walls + shifted), float)


def wall_error(pair: CanalPair, alignment: Alignment, seed: int, samples: int) -> WallError:
    """Return the error of the walls; unknown deviations of a canal file count as none."""
    before = np.nan_to_num(pair.before.diameter_sd_mm[pair.rows]) / 2.0
    after = np.nan_to_num(pair.after_values(pair.after.diameter_sd_mm)) / 2.0
    wall = pair.wall_before
    axis = AXIS_SD.value * _largest_voxel_mm(pair)
    rng = np.random.default_rng([606, seed])
    noise = rng.standard_normal((3, samples))
    draws = noise[0][:, None, None] * after[None, :, None]
    draws = draws - noise[1][:, None, None] * before[None, :, None]
    angle = 2.0 * np.pi * rng.random(samples)
    toward = np.cos(np.arange(wall.radius_mm.shape[1]) * 2.0 * np.pi / 64.0 - angle[:, None])
    draws = draws + np.sqrt(2.0) * axis * noise[2][:, None, None] * toward[:, None, :]
    error = alignment.error
    registration = np.zeros(wall.radius_mm.shape)
    if error is not None:
        registration = error.sd_along_mm(wall.points_mm, wall.rays)
        arm = np.cross(wall.points_mm - error.center_mm, wall.normals)
        rows = np.concatenate([arm, wall.normals], axis=-1)
        draws = draws + np.einsum("ndk,sk->snd", rows, error.drawn(rng, samples))
    return WallError(before, after, axis, registration, draws)


def _largest_voxel_mm(pair: CanalPair) -> float:
    spacings = [c.provenance.spacing_mm or (0.0,) for c in (pair.before, pair.after)]
    return max(max(spacing) for spacing in spacings)


def volume_sd_mm3(level_mm: Floats, radius_mm: Floats, radius_sd_mm: Floats) -> float:
    """Return the deviation of a volume whose walls are all off by the same number of deviations."""
    around = 2.0 * np.pi * np.mean(radius_mm, axis=1)
    return float(np.trapezoid(around * radius_sd_mm, level_mm))


def surface_sd_mm2(level_mm: Floats, radius_sd_mm: Floats) -> float:
    """Return the deviation of a mantle whose walls are all off alike."""
    return float(np.trapezoid(2.0 * np.pi * radius_sd_mm, level_mm))


def angle_sd_deg(length_mm: float, axis_sd_mm: float) -> float:
    """Return the deviation of an angle between two straight parts of an axis.

    A chord over half the canal with independent errors about every 3 mm; a rigid registration
    does not change angles.
    """
    chord = max(length_mm / 2.0, _BENDING_WAVE_MM)
    supports = max(chord / _BENDING_WAVE_MM, 2.0)
    return float(np.degrees(2.0 * axis_sd_mm * np.sqrt(2.0 * 6.0 / supports) / chord))


def change(first: Estimate, second: Estimate) -> Estimate:
    """Return the second less the first, their errors taken as independent."""
    return Estimate(second.value - first.value, float(np.hypot(first.sd, second.sd)))
