"""Where dentin below the root surface is seen before and no longer after.

A hole through the root leaves the layer below its surface dark, whatever way it leads there from
the canal; sections about the canal's axis see only what lies open to that axis.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.anatomy.canal import Canal
from canalwright.geometry.rigid import Rigid
from canalwright.geometry.tube import TubeWall
from canalwright.imaging.gray_levels import rough_levels
from canalwright.imaging.sampling import crop_around
from canalwright.imaging.scan import Scan

__all__ = ["opened_walls"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_LAYER_MM: Final = (0.15, 0.45)
_SAMPLES: Final = 4
_SEEN_BEFORE, _GONE_AFTER = 0.75, 0.5
_MARGIN_MM: Final = 1.5


def opened_walls(before: Scan, after: Scan, canal: Canal, movement: Rigid) -> Flags:
    """Return toward where the layer below the root surface has lost its dentin.

    Parameters
    ----------
    before, after : Scan
    canal : Canal
        Measured in the scan before, with its root surface.
    movement : Rigid
        From the frame before to the frame after.

    Returns
    -------
    ndarray of bool, shape (levels, directions)
        True where three quarters of the gray of dentin, counted from that of the lumen, were seen
        0.15 to 0.45 mm below the surface before, and less than half of it is seen after. False
        where no root surface is known, and where dentin was thinner than 0.6 mm before: there the
        layer is not clear of the canal.

    Notes
    -----
    A hole narrower than the blur stays unseen.
    """
    thick = canal.outer_radius_mm - canal.radius_mm >= _LAYER_MM[0] + _LAYER_MM[1]
    if not thick.any():
        return np.zeros(canal.outer_radius_mm.shape, np.bool_)
    wall = TubeWall(canal.level_mm, canal.centerline_mm, canal.direction0, canal.outer_radius_mm)
    depth = np.linspace(*_LAYER_MM, _SAMPLES)
    reach = np.nan_to_num(canal.outer_radius_mm)[..., None] - depth
    points = wall.axis_mm[:, None, None, :] + reach[..., None] * wall.rays[:, :, None, :]
    first = _dentin_share(before, points, canal.centerline_mm[-1], thick)
    orifice = movement.moved_mm(canal.centerline_mm[-1:])[0]
    second = _dentin_share(after, movement.moved_mm(points), orifice, thick)
    return np.asarray(thick & (first > _SEEN_BEFORE) & (second < _GONE_AFTER))


def _dentin_share(scan: Scan, points: Floats, orifice: Floats, known: Flags) -> Floats:
    """Return the gray of the layer per level and direction, 0 for lumen and 1 for dentin."""
    crop = crop_around(scan, points[known].reshape(-1, 3), _MARGIN_MM)
    contrast = rough_levels(crop, orifice).contrast
    gray = np.where(known, crop.at(points).mean(axis=-1), np.nan)
    dentin = float(np.nanmedian(gray))
    return np.asarray(1.0 + (gray - dentin) / contrast, float)
