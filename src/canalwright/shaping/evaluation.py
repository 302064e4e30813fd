"""`evaluate_pair`: a canal before and after preparation, by the measures of the literature."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.canal import Canal
from canalwright.anatomy.curvature import summarize_curvature
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence, Graded
from canalwright.geometry.alignment import Alignment
from canalwright.shaping.evaluation_cautions import evaluation_cautions
from canalwright.shaping.evaluation_error import (
    WallError,
    angle_sd_deg,
    change,
    surface_sd_mm2,
    volume_sd_mm3,
    wall_error,
)
from canalwright.shaping.evaluation_types import (
    Apical,
    Estimate,
    Evaluation,
    SideResult,
    Suspicion,
)
from canalwright.shaping.metrics import centering, section_form
from canalwright.shaping.pairing import CanalPair, moved_canal, paired
from canalwright.shaping.sides import Side, along_side, sides_of, words_for
from canalwright.shaping.smi import tube_smi
from canalwright.shaping.thirds import centroid_shift_mm, in_thirds

__all__ = ["SAMPLES", "TOLERANCE_MM", "evaluate_pair", "require_options", "tolerance_for"]

Floats = NDArray[np.float64]

SAMPLES: Final = 200
TOLERANCE_MM: Final = Graded(0.05, "mm", Evidence.ASSUMED, note="neither file states a voxel size")

_TOUCHED_SHARE, _TOUCHED_FOR_MM = 0.25, 0.5
_APEX_MM = 1.0
# What files round to, several times over.
_ROUNDING_MM = 5e-4
_LEAST_CUT_MM = 0.02


def require_options(
    *, tolerance_mm: float | None = None, seed: int = 0, samples: int = SAMPLES
) -> None:
    """Refuse impossible options, before the work that they are for.

    Raises
    ------
    OutOfRange
        For a tolerance outside 0 to 0.5 mm, a negative seed, or fewer than two draws.
    """
    if tolerance_mm is not None and not 0.0 < tolerance_mm <= 0.5:
        raise OutOfRange(
            name="tolerance for untouched wall", got=tolerance_mm, unit="mm", allowed=(0.0, 0.5)
        )
    if seed < 0:
        raise OutOfRange(name="seed", got=seed, unit="", allowed=(0, None))
    if samples < 2:
        raise OutOfRange(name="number of draws", got=samples, unit="", allowed=(2, None))


def tolerance_for(before: Canal, after: Canal, stated_mm: float | None = None) -> Graded:
    """Return up to which distance a wall counts as untouched: stated, or one voxel.

    Raises
    ------
    OutOfRange
        If the stated one is not within 0 to 0.5 mm.
    """
    if stated_mm is not None:
        require_options(tolerance_mm=stated_mm)
        return Graded(stated_mm, "mm", Evidence.OPERATOR)
    spacings = [c.provenance.spacing_mm for c in (before, after) if c.provenance.spacing_mm]
    if not spacings:
        return TOLERANCE_MM
    voxel = max(max(spacing) for spacing in spacings)
    return Graded(voxel, "mm", Evidence.PRACTICE, note="one voxel, the larger of both images")


def evaluate_pair(
    before: Canal,
    after: Canal,
    *,
    alignment: Alignment | None = None,
    tolerance_mm: float | None = None,
    furcation_mm: ArrayLike | None = None,
    opened: NDArray[np.bool_] | None = None,
    intended_level_mm: float = 0.0,
    oriented: bool = False,
    seed: int = 0,
    samples: int = SAMPLES,
) -> Evaluation:
    """Compare a canal before and after preparation.

    Parameters
    ----------
    before, after : Canal
        Each in its own frame; `alignment` says how they lie to each other.
    alignment : Alignment, optional
        Without one both are taken to lie in one frame, with unknown error.
    tolerance_mm : float, optional
        Up to which distance wall counts as untouched; one voxel by default.
    furcation_mm : array_like, shape (3,), optional
        A point at the furcation, in the frame before.
    opened : ndarray of bool, shape (levels of before, directions), optional
        Toward where images show dentin below the root surface before and not after.
    intended_level_mm : float
        Level at which the preparation was to begin.
    oriented : bool
        Whether coordinates are those of the patient.
    seed, samples : int
        Of the draws behind the standard deviation of the untouched share.

    Returns
    -------
    Evaluation

    Raises
    ------
    NotOneTooth
        If the canals do not lie in each other.
    OutOfRange
        For a tolerance outside 0 to 0.5 mm, a negative seed, fewer than two draws, or a preparation
        that was to begin outside the canal.
    """
    require_options(seed=seed, samples=samples)
    placed = alignment or Alignment()
    _require_in_canal(before, intended_level_mm)
    tolerance = tolerance_for(before, after, tolerance_mm)
    pair = paired(before, moved_canal(after, placed.movement.inverse()))
    error = wall_error(pair, placed, seed, samples)
    pair_sides = sides_of(pair.wall_before.axis_mm, furcation_mm=furcation_mm, oriented=oriented)
    first, second = (_side(pair, error, side, placed, tolerance.value) for side in pair_sides)
    sides = first, second
    shift = centroid_shift_mm(pair.wall_before.radius_mm, pair.after_radius_mm)
    volumes = _volumes(pair, error)
    surfaces = _surfaces(pair, error)
    angles = [summarize_curvature(canal) for canal in (before, after)]
    length = float(pair.level_mm[-1] - pair.level_mm[0])
    angle_sd = angle_sd_deg(length, error.axis_mm) * np.sqrt(2.0)
    apical = _apical(pair, error, intended_level_mm)
    suspicions = _suspicions(pair, error, tolerance.value, oriented, opened)
    untouched = _untouched(pair, error, tolerance.value)
    smi = tube_smi(pair.wall_before), tube_smi(pair.wall_after)
    return Evaluation(
        pair=pair,
        alignment=placed,
        tolerance_mm=tolerance,
        volume_before_mm3=volumes[0],
        volume_after_mm3=volumes[1],
        removed_mm3=change(*volumes),
        surface_before_mm2=surfaces[0],
        surface_after_mm2=surfaces[1],
        untouched_percent=untouched,
        smi_before=smi[0],
        smi_after=smi[1],
        sides=sides,
        wall_sd_mm=error.wall_mm,
        removed_map_mm=pair.removed_mm,
        left_map_mm=pair.left_mm,
        centroid_shift_mm=shift,
        centroid_shift_sd_mm=_shift_sd_mm(error),
        form_before=section_form(pair.wall_before.radius_mm),
        form_after=section_form(pair.after_radius_mm),
        schneider_before_deg=angles[0].schneider_deg,
        schneider_after_deg=angles[1].schneider_deg,
        pruett_before_deg=angles[0].pruett_deg,
        pruett_after_deg=angles[1].pruett_deg,
        straightening_deg=Estimate(
            angles[0].schneider_deg - angles[1].schneider_deg,
            float(angle_sd) if error.axis_mm > 0.0 else float("nan"),
        ),
        thirds=in_thirds(pair, tolerance.value, shift, sides),
        apical=apical,
        suspicions=suspicions,
        seed=seed,
        samples=samples,
        cautions=evaluation_cautions(
            pair, placed, volumes, sides, error, tolerance, apical, suspicions, smi
        ),
    )


def _require_in_canal(canal: Canal, intended_level_mm: float) -> None:
    if not 0.0 <= intended_level_mm < canal.length_mm:
        raise OutOfRange(
            name="level at which the preparation was to begin",
            got=intended_level_mm,
            unit="mm",
            allowed=(0, round(canal.length_mm, 2)),
            hint="Levels count from the terminus.",
        )


def _side(
    pair: CanalPair, error: WallError, side: Side, alignment: Alignment, tolerance_mm: float
) -> SideResult:
    wall = pair.wall_before
    positive, negative = along_side(wall, side, pair.removed_mm)
    registration = np.zeros(len(pair.level_mm))
    if alignment.error is not None:
        registration = alignment.error.sd_along_mm(wall.axis_mm, side.vector)
    zero = np.maximum(error.wall_mm, _ROUNDING_MM)
    return SideResult(
        side=side,
        removed_positive_mm=positive,
        removed_negative_mm=negative,
        transportation_mm=np.asarray(positive - negative, float),
        sd_mm=error.transportation_mm(registration),
        centering=centering(positive, negative, zero, untouched_within_mm=tolerance_mm),
    )


def _volumes(pair: CanalPair, error: WallError) -> tuple[Estimate, Estimate]:
    walls = (pair.wall_before, error.radius_before_mm), (pair.wall_after, error.radius_after_mm)
    first, second = (
        Estimate(
            float(wall.volume_weights_mm3.sum()), volume_sd_mm3(pair.level_mm, wall.radius_mm, sd)
        )
        for wall, sd in walls
    )
    return first, second


def _surfaces(pair: CanalPair, error: WallError) -> tuple[Estimate, Estimate]:
    walls = (pair.wall_before, error.radius_before_mm), (pair.wall_after, error.radius_after_mm)
    first, second = (
        Estimate(float(wall.area_weights_mm2.sum()), surface_sd_mm2(pair.level_mm, sd))
        for wall, sd in walls
    )
    return first, second


def _untouched(pair: CanalPair, error: WallError, tolerance_mm: float) -> Estimate:
    """Share of the wall before within the tolerance of the wall after, and its spread."""
    weight = pair.wall_before.area_weights_mm2 / pair.wall_before.area_weights_mm2.sum()
    value = float(np.sum(weight * (np.abs(pair.depth_mm) <= tolerance_mm)))
    drawn = np.abs(pair.depth_mm + error.depth_draws_mm) <= tolerance_mm
    spread = np.einsum("snd,nd->s", drawn, weight)
    return Estimate(100.0 * value, 100.0 * float(np.sqrt(np.mean((spread - value) ** 2))))


def _shift_sd_mm(error: WallError) -> Floats:
    """Of a centroid's movement in one direction: registration and both axes."""
    registered = np.mean(error.registration_mm**2, axis=1)
    return np.asarray(np.sqrt(registered + 2.0 * error.axis_mm**2), float)


def _apical(pair: CanalPair, error: WallError, intended_mm: float) -> Apical:
    level = pair.level_mm
    least = np.maximum(2.0 * error.wall_mm, _LEAST_CUT_MM)
    touched = np.mean(pair.depth_mm > least[:, None], axis=1) >= _TOUCHED_SHARE
    start = _first_lasting(level, touched, _TOUCHED_FOR_MM)
    sd = np.hypot(error.radius_before_mm, error.radius_after_mm)
    narrower = np.mean(pair.removed_mm, axis=1) < -np.maximum(2.0 * sd, _LEAST_CUT_MM)
    low = _first_lasting(level, narrower & (level <= 4.0), 0.3)
    runs: tuple[float, ...] = ()
    if np.isfinite(low):
        ends = level[(level >= low) & ~narrower]
        runs = (low, float(ends[0]) if len(ends) else float(level[-1]))
    return Apical(intended_mm, start, start - intended_mm, runs)


def _first_lasting(level: Floats, true: NDArray[np.bool_], length_mm: float) -> float:
    """Return the first level from which something holds over a length; NaN if nowhere."""
    for at in np.flatnonzero(true):
        within = (level >= level[at]) & (level <= level[at] + length_mm)
        if true[within].all() and level[-1] - level[at] >= length_mm:
            return float(level[at])
    return float("nan")


def _suspicions(
    pair: CanalPair,
    error: WallError,
    tolerance_mm: float,
    oriented: bool,
    opened: NDArray[np.bool_] | None,
) -> tuple[Suspicion, ...]:
    """Return where prepared wall lies within two deviations of the root surface, one per run.

    And where an image shows the wall open.
    """
    sd = np.hypot(error.wall_mm, np.nan_to_num(pair.dentin_sd_mm))
    near = (pair.left_mm <= 2.0 * sd[:, None]) & (pair.removed_mm > tolerance_mm)
    seen = np.zeros_like(near) if opened is None else opened[pair.rows]
    inside = (pair.level_mm >= _APEX_MM)[:, None]
    near, seen = (near | seen) & inside, seen & inside
    rows = np.flatnonzero(near.any(axis=1))
    if not len(rows):
        return ()
    runs = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
    return tuple(_suspicion(pair, run, sd, (near, seen), oriented) for run in runs)


def _suspicion(
    pair: CanalPair,
    run: NDArray[np.intp],
    sd: Floats,
    flags: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    oriented: bool,
) -> Suspicion:
    near, seen = flags
    shown = seen[run] if seen[run].any() else near[run]
    left = np.where(shown, pair.left_mm[run], np.inf)
    row, column = np.unravel_index(int(np.argmin(left)), left.shape)
    at = int(run[row])
    return Suspicion(
        level_mm=float(pair.level_mm[at]),
        toward=words_for(pair.wall_before.rays[at, column], oriented),
        left_mm=float(left[row, column]),
        sd_mm=float(sd[at]),
        seen_open=bool(seen[run].any()),
    )
