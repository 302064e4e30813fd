"""What a reader must know before leaning on the curvature of a canal."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.anatomy.angles import PruettResult
from canalwright.anatomy.bend_fit import STRAIGHT_WITHIN_MM, BendFit
from canalwright.anatomy.classes import schneider_class_cautions
from canalwright.anatomy.turning import Bend, is_s_curve
from canalwright.anatomy.views import foreshortening, out_of_plane_rms_mm
from canalwright.anatomy.windowed import LocalBending
from canalwright.cautions import Caution

__all__ = ["curvature_cautions"]

Floats = NDArray[np.float64]

_ALIKE_MM = STRAIGHT_WITHIN_MM  # a misfit that noise of the centerline could make up
_FLIP_DEG = 3.0
_SMALL_BEND_DEG = 10.0
_POOR_FIT_MM = 0.1
_OUT_OF_PLANE_MM = 0.1
_SHORT_VIEW = 0.9
_SURE_SDS = 3.0


def curvature_cautions(
    points_mm: Floats,
    view_direction: ArrayLike | None,
    fits: tuple[BendFit, ...],
    found: tuple[Bend, ...],
    arc: PruettResult,
    bending: LocalBending,
) -> tuple[Caution, ...]:
    """Return all cautions that apply to one summary of curvature.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
    view_direction : array_like, shape (3,), or None
    fits : tuple of BendFit
        Best first, see `bend_fits`.
    found : tuple of Bend
    arc : PruettResult
    bending : LocalBending
        Over the window that the largest curvature is stated for.
    """
    return (
        *_of_view(points_mm, view_direction),
        *_of_bends(found),
        *_of_departure(fits),
        *_of_fit(fits[0], arc, bending),
        *_of_ends(bending),
        *schneider_class_cautions(float(np.degrees(fits[0].schneider_rad))),
    )


def _of_view(points: Floats, view_direction: ArrayLike | None) -> Iterator[Caution]:
    if view_direction is None:
        off = out_of_plane_rms_mm(points)
        if off > _OUT_OF_PLANE_MM:
            text = (
                f"The canal leaves its own best plane by {off:.2f} mm (root mean square); angles "
                "in a plane leave out part of its bending, total turning does not."
            )
            yield Caution("NON_PLANAR", text, "project rule")
        return
    share = foreshortening(points, view_direction)
    if share < _SHORT_VIEW:
        text = (
            f"In this view the canal appears at {100 * share:.0f} % of its length; radii and "
            "levels are those of the picture, not of the canal."
        )
        yield Caution("VIEW_FORESHORTENED", text, "project rule")


def _of_bends(found: tuple[Bend, ...]) -> Iterator[Caution]:
    if is_s_curve(found):
        listed = ", ".join(
            f"{abs(b.turning_deg):.0f}° {'left' if b.turning_deg > 0 else 'right'} from "
            f"{b.start_level_mm:.1f} to {b.end_level_mm:.1f} mm"
            for b in found
        )
        text = (
            f"The canal bends both ways ({listed}); the Schneider angle mixes them and understates "
            "both, the Pruett values describe only the larger bend."
        )
        yield Caution("S_CURVE", text, "project rule")


def _of_departure(fits: tuple[BendFit, ...]) -> Iterator[Caution]:
    best = fits[0]
    if abs(best.turning_rad) < np.radians(_SMALL_BEND_DEG):
        return
    limit = float(np.hypot(best.rms_mm, _ALIKE_MM))
    for other in fits[1:]:
        apart = abs(np.degrees(other.schneider_rad - best.schneider_rad))
        if other.rms_mm <= limit and apart >= _FLIP_DEG:
            text = (
                "The point where the canal leaves its coronal axis is not firm: a Schneider angle "
                f"of {np.degrees(best.schneider_rad):.1f}° with that point at "
                f"{best.departure_level_mm:.1f} mm and one of "
                f"{np.degrees(other.schneider_rad):.1f}° with it at "
                f"{other.departure_level_mm:.1f} mm describe the canal about as well."
            )
            yield Caution("SCHNEIDER_ILL_CONDITIONED", text, "project rule")
            return


def _of_fit(fit: BendFit, arc: PruettResult, bending: LocalBending) -> Iterator[Caution]:
    if arc.radius_mm is None:
        return
    if arc.angle_deg < _SMALL_BEND_DEG:
        text = (
            f"The bend turns by only {arc.angle_deg:.1f}°; its radius and levels are within the "
            "noise of a measured centerline."
        )
        yield Caution("SMALL_BEND", text, "project rule")
    elif arc.arc_length_mm < bending.window_mm:
        text = (
            f"The fitted arc is {arc.arc_length_mm:.1f} mm long, shorter than the "
            f"{bending.window_mm:.1f} mm over which the largest curvature is taken; the canal is "
            f"bent more sharply than that: the fitted radius is {arc.radius_mm:.1f} mm."
        )
        yield Caution("BEND_SHORTER_THAN_WINDOW", text, "project rule")
    if fit.rms_mm > _POOR_FIT_MM:
        text = (
            f"The canal is {fit.rms_mm:.2f} mm (root mean square) off a straight line, one arc and "
            "a straight line; the angle of one bend describes it poorly."
        )
        yield Caution("POOR_BEND_FIT", text, "project rule")


def _of_ends(bending: LocalBending) -> Iterator[Caution]:
    """Say where an end seems bent more than the largest curvature over full windows."""
    short = (bending.window_at_mm > 0.0) & ~bending.full
    sure = bending.curvature_per_mm - _SURE_SDS * bending.curvature_sd_per_mm()
    excess = np.where(short, sure, -np.inf) - bending.max_per_mm
    worst = int(np.argmax(excess))
    if not excess[worst] > 0.0:
        return
    level = float(bending.level_mm[worst])
    end = "terminus" if level < bending.level_mm[-1] / 2.0 else "orifice"
    text = (
        f"Near the {end}, at {level:.1f} mm, the canal bends by "
        f"{bending.curvature_per_mm[worst]:.2f} per mm over {bending.window_at_mm[worst]:.1f} mm, "
        f"more than the largest curvature stated ({bending.max_per_mm:.2f} per mm), which is that "
        f"over full windows of {bending.window_mm:.1f} mm."
    )
    yield Caution("BENT_AT_END", text, "project rule")
