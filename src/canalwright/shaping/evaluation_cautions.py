"""What a reader of an evaluation must know: unlikely pairs, undefined figures, weak ground."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from canalwright.cautions import Caution, labelled, merged
from canalwright.evidence import Graded
from canalwright.geometry.alignment import Alignment
from canalwright.shaping.evaluation_error import WallError
from canalwright.shaping.evaluation_types import (
    Apical,
    Estimate,
    SideResult,
    Suspicion,
)
from canalwright.shaping.metrics import CenteringStatus
from canalwright.shaping.pairing import CanalPair

__all__ = ["SEAL_LIMIT_MM", "evaluation_cautions"]

SEAL_LIMIT_MM: Final = 0.3
"""Apical transportation beyond which the seal may suffer; value from memory."""

_NEARER_SHARE, _UNKNOWN_SHARE, _SHALLOW_SHARE = 0.05, 0.02, 0.1
_APICAL_MM = 3.0
_UNDEFINED: Final = (CenteringStatus.NEGATIVE, CenteringStatus.WITHIN_ERROR)


def evaluation_cautions(
    pair: CanalPair,
    alignment: Alignment,
    volumes: tuple[Estimate, Estimate],
    sides: tuple[SideResult, SideResult],
    error: WallError,
    tolerance: Graded,
    apical: Apical,
    suspicions: tuple[Suspicion, ...],
    smi: tuple[float, float],
) -> tuple[Caution, ...]:
    """Return the cautions of an evaluation, those of both canals at the end."""
    own = (
        *_plausibility(pair, volumes, tolerance.value, error),
        *_frame(pair, alignment),
        *_unknown_error(pair),
        *_places(suspicions, apical),
        *_figures(pair, sides, smi),
    )
    states = {"before": pair.before.cautions, "after": pair.after.cautions}
    return merged(own, labelled(states))


def _plausibility(
    pair: CanalPair, volumes: tuple[Estimate, Estimate], tolerance_mm: float, error: WallError
) -> Iterator[Caution]:
    before, after = volumes
    sd = float(np.hypot(before.sd, after.sd))
    weight = pair.wall_before.area_weights_mm2 / pair.wall_before.area_weights_mm2.sum()
    reach = np.maximum(tolerance_mm, 2.0 * error.wall_mm)[:, None]
    nearer = float(np.sum(weight * (pair.depth_mm < -reach)))
    gone = float(np.sum(weight * (pair.depth_mm > reach)))
    if after.value < before.value - sd or nearer > max(gone, _NEARER_SHARE):
        yield Caution(
            "AFTER_SMALLER",
            f"The canal after ({after.value:.2f} mm³) is smaller than the canal before "
            f"({before.value:.2f} mm³): the two files may be swapped, or the canal holds debris, "
            "filling or medication.",
            "project rule",
        )
    elif nearer > _NEARER_SHARE:
        yield Caution(
            "WALL_CAME_NEARER",
            f"Along {nearer:.0%} of the wall the canal after lies inside the canal before by more "
            "than the tolerance: debris, filling, or an error of registration or measurement.",
            "project rule",
        )
    elif gone < _SHALLOW_SHARE and after.value - before.value > 2.0 * sd:
        yield Caution(
            "CUT_BELOW_TOLERANCE",
            f"{after.value - before.value:.2f} mm³ was removed, but from {1.0 - gone:.0%} of the "
            f"wall less than the tolerance of {tolerance_mm:g} mm: untouched here means that no "
            "cut can be told from none at this voxel size or tolerance.",
            "project rule",
        )
    elif abs(after.value - before.value) <= 2.0 * sd:
        yield Caution(
            "CHANGE_WITHIN_ERROR",
            f"The change of volume, {_signed(after.value - before.value)} mm³, is not larger than "
            f"twice its standard deviation ({sd:.3f} mm³).",
            "project rule",
        )


def _frame(pair: CanalPair, alignment: Alignment) -> Iterator[Caution]:
    if alignment.error is None:
        yield Caution(
            "FRAME_TAKEN_AS_GIVEN",
            "Both canals were taken to lie in one frame; the error of that is not known and not "
            "part of the stated standard deviations.",
            "project rule",
        )
    digests = {c.provenance.digest for c in (pair.before, pair.after)}
    if len(digests) == 1 and digests != {""}:
        yield Caution(
            "SAME_IMAGE",
            "Before and after were measured in one and the same image: there is no change to find.",
            "project rule",
        )
    spacings = [c.provenance.spacing_mm for c in (pair.before, pair.after)]
    if None not in spacings:
        first, second = (max(spacing or (0.0,)) for spacing in spacings)
        if max(first, second) > 1.2 * min(first, second):
            yield Caution(
                "DIFFERENT_VOXELS",
                f"The images have voxels of {first:g} and {second:g} mm: small canals come out "
                "differently for that alone.",
                "project rule",
            )
    whole = pair.before.length_mm
    common = float(pair.level_mm[-1] - pair.level_mm[0])
    if common < whole - 0.35:
        yield Caution(
            "PART_OF_THE_CANAL",
            f"Both canals are known only from level {pair.level_mm[0]:.1f} to "
            f"{pair.level_mm[-1]:.1f} mm of {whole:.1f} mm; all figures are of that part.",
            "project rule",
        )


def _unknown_error(pair: CanalPair) -> Iterator[Caution]:
    known = [np.isfinite(c.diameter_sd_mm).all() for c in (pair.before, pair.after)]
    if not all(known):
        yield Caution(
            "DEVIATION_NOT_STATED",
            "A canal file states no standard deviations; they count as none here, so those of "
            "this evaluation are too small.",
            "project rule",
        )


def _places(suspicions: tuple[Suspicion, ...], apical: Apical) -> Iterator[Caution]:
    for place in suspicions:
        yield Caution("PERFORATION_SUSPECTED", _suspected(place), "project rule")
    if apical.narrowed_levels_mm:
        low, high = apical.narrowed_levels_mm
        yield Caution(
            "APICAL_PART_NARROWED",
            f"From level {low:.1f} to {high:.1f} mm the canal is narrower than before: packed "
            "debris, a lost path, or an error of the measurement.",
            "project rule",
        )


def _suspected(place: Suspicion) -> str:
    where = f"At level {place.level_mm:.1f} mm toward the {place.toward}"
    if place.seen_open:
        return (
            f"{where} the image after shows no dentin below the root surface, where the image "
            "before does: look for a perforation there, or for another canal that was prepared "
            "and not evaluated."
        )
    return (
        f"{where} only {place.left_mm:.2f} ± {place.sd_mm:.2f} mm of dentin is left: look for a "
        "perforation there."
    )


def _figures(
    pair: CanalPair, sides: tuple[SideResult, SideResult], smi: tuple[float, float]
) -> Iterator[Caution]:
    undefined = sum(sum(at in _UNDEFINED for at in s.centering.status) for s in sides)
    if undefined:
        yield Caution(
            "CENTERING_UNDEFINED",
            f"The centering ratio is undefined at {undefined} of {2 * len(pair.level_mm)} places, "
            "where a wall came nearer by more than the error, or the error is larger than what "
            "counts as untouched; they are left open.",
            "project rule",
        )
    low = pair.level_mm <= _APICAL_MM
    worst = max(float(np.max(np.abs(s.transportation_mm[low]), initial=0.0)) for s in sides)
    if worst > SEAL_LIMIT_MM:
        yield Caution(
            "APICAL_TRANSPORTATION",
            f"Apical transportation reaches {worst:.2f} mm; beyond about {SEAL_LIMIT_MM} mm the "
            "seal of a filling may suffer (value from memory).",
            "wu2000",
        )
    if min(smi) < 0.0:
        yield Caution(
            "SMI_NEGATIVE",
            "The structure model index is negative where concave surface prevails; it does not "
            "tell plate from rod there.",
            "hildebrand1997",
        )
    yield from _unjudged(pair)


def _unjudged(pair: CanalPair) -> Iterator[Caution]:
    unknown = pair.unjudged_share
    if unknown >= 1.0:
        yield Caution(
            "ROOT_SURFACE_UNKNOWN",
            "No root surface is known: dentin left and perforation are not judged.",
            "project rule",
        )
    elif unknown > _UNKNOWN_SHARE:
        levels = pair.level_mm[np.isnan(pair.left_mm).any(axis=1)]
        yield Caution(
            "ROOT_SURFACE_PARTLY_UNKNOWN",
            f"Toward {unknown:.0%} of the wall, between levels {levels[0]:.1f} and "
            f"{levels[-1]:.1f} mm, no root surface is known: perforation is not judged there, and "
            "the thinnest dentin is the thinnest of the rest.",
            "project rule",
        )


def _signed(value: float) -> str:
    rounded = round(value, 3)
    return f"{rounded:+.3f}".replace("-", "−") if rounded else "0.000"
