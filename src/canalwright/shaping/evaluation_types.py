"""What an evaluation of a preparation states; every figure with its standard deviation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.evidence import Graded
from canalwright.geometry.alignment import Alignment
from canalwright.shaping.metrics import Centering, SectionForm
from canalwright.shaping.pairing import CanalPair
from canalwright.shaping.sides import Side

__all__ = [
    "Apical",
    "Estimate",
    "Evaluation",
    "SideResult",
    "Suspicion",
    "ThirdResult",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its standard deviation; NaN where that is not known."""

    value: float
    sd: float = float("nan")


@dataclass(frozen=True, eq=False)
class SideResult:
    """Transportation and centering along one direction.

    Attributes
    ----------
    side : Side
    removed_positive_mm, removed_negative_mm : ndarray, shape (n,)
        ``A1 − A2`` on the positive and ``B1 − B2`` on the negative side.
    transportation_mm, sd_mm : ndarray, shape (n,)
    centering : Centering
    """

    side: Side
    removed_positive_mm: Floats
    removed_negative_mm: Floats
    transportation_mm: Floats
    sd_mm: Floats
    centering: Centering


@dataclass(frozen=True, slots=True)
class ThirdResult:
    """One third of the canal; the apical one first.

    Attributes
    ----------
    name : str
    from_level_mm, to_level_mm : float
    volume_before_mm3, volume_after_mm3 : float
    surface_before_mm2, surface_after_mm2 : float
    untouched_percent : float
    smi_before, smi_after : float
    centroid_shift_mm : float
        Mean over the levels of the third.
    transportation_mm : float
        Mean of the larger absolute value of both directions.
    dentin_left_min_mm : float
        NaN where no root surface is known.
    """

    name: str
    from_level_mm: float
    to_level_mm: float
    volume_before_mm3: float
    volume_after_mm3: float
    surface_before_mm2: float
    surface_after_mm2: float
    untouched_percent: float
    smi_before: float
    smi_after: float
    centroid_shift_mm: float
    transportation_mm: float
    dentin_left_min_mm: float


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A place where the prepared wall may have reached the root surface.

    Attributes
    ----------
    level_mm : float
    toward : str
    left_mm, sd_mm : float
        Dentin left between the measured wall after and the root surface.
    seen_open : bool
        Whether the image after shows no dentin below the root surface there, where the image
        before shows it; the measured wall may not reach as far.
    """

    level_mm: float
    toward: str
    left_mm: float
    sd_mm: float
    seen_open: bool = False


@dataclass(frozen=True, slots=True)
class Apical:
    """Where the preparation begins, against where it was to begin.

    Attributes
    ----------
    intended_level_mm : float
    prepared_from_level_mm : float
        Lowest level from which the wall is touched for at least 0.5 mm; NaN if nowhere.
    error_mm : float
        Prepared minus intended; positive is short.
    narrowed_levels_mm : tuple of float
        First and last level of an apical part that is narrower than before; empty if none.
    """

    intended_level_mm: float
    prepared_from_level_mm: float
    error_mm: float
    narrowed_levels_mm: tuple[float, ...] = ()


@dataclass(frozen=True, eq=False)
class Evaluation:
    """A canal before and after preparation, compared.

    Arrays run over the n common levels; maps over levels and directions.

    Attributes
    ----------
    pair : CanalPair
    alignment : Alignment
    tolerance_mm : Graded
        Up to this distance from the wall after, the wall before counts as untouched.
    volume_before_mm3, volume_after_mm3, removed_mm3 : Estimate
    surface_before_mm2, surface_after_mm2 : Estimate
    untouched_percent : Estimate
        Share of the wall before, by area.
    smi_before, smi_after : float
    sides : tuple of SideResult
        Two.
    wall_sd_mm : ndarray, shape (n,)
        Of a wall's movement in one direction: registration, both walls, both axes.
    removed_map_mm, left_map_mm : ndarray, shape (n, directions)
        Along the rays from the axis before; NaN where not known.
    centroid_shift_mm, centroid_shift_sd_mm : ndarray, shape (n,)
    form_before, form_after : SectionForm
    schneider_before_deg, schneider_after_deg : float
    pruett_before_deg, pruett_after_deg : float
    straightening_deg : Estimate
        Change of the Schneider angle, before minus after.
    thirds : tuple of ThirdResult
    apical : Apical
    suspicions : tuple of Suspicion
    seed, samples : int
    cautions : tuple of Caution
    """

    pair: CanalPair
    alignment: Alignment
    tolerance_mm: Graded
    volume_before_mm3: Estimate
    volume_after_mm3: Estimate
    removed_mm3: Estimate
    surface_before_mm2: Estimate
    surface_after_mm2: Estimate
    untouched_percent: Estimate
    smi_before: float
    smi_after: float
    sides: tuple[SideResult, SideResult]
    wall_sd_mm: Floats
    removed_map_mm: Floats
    left_map_mm: Floats
    centroid_shift_mm: Floats
    centroid_shift_sd_mm: Floats
    form_before: SectionForm
    form_after: SectionForm
    schneider_before_deg: float
    schneider_after_deg: float
    pruett_before_deg: float
    pruett_after_deg: float
    straightening_deg: Estimate
    thirds: tuple[ThirdResult, ...]
    apical: Apical
    suspicions: tuple[Suspicion, ...]
    seed: int
    samples: int
    cautions: tuple[Caution, ...]
