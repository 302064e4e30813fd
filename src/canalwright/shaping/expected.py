"""What a simulated sequence promised against what an evaluation found, level by level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution, merged
from canalwright.errors import OutOfRange
from canalwright.geometry.sections import equivalent_diameter_mm, section_area_mm2
from canalwright.geometry.tube import TubeWall
from canalwright.shaping.evaluation_types import Evaluation
from canalwright.shaping.sides import Side, along_side

__all__ = ["EvaluatedCanal", "ExpectedComparison", "ExpectedShape", "against_expected"]

Floats = NDArray[np.float64]

_LENGTH_SLACK_MM = 0.5

SAME_AXIS: Final = Caution(
    "EXPECTED_ON_OWN_AXIS",
    "The expected sections are counted from the axis of the canal file that was simulated; where "
    "that file and the canal before here were measured apart, their axes differ by the error of "
    "both measurements.",
    "project rule",
)
CENTERED_EXPECTATION: Final = Caution(
    "EXPECTED_CENTERED",
    "The expectation states diameters alone: its cuts are taken as centered, so expected "
    "transportation is none by assumption.",
    "project rule",
)


@dataclass(frozen=True, eq=False)
class ExpectedShape:
    """The canal as a simulation or a plan leaves it.

    Attributes
    ----------
    source : str
    level_mm : ndarray, shape (n,)
    radius_mm : ndarray, shape (n, directions) or None
    diameter_mm : ndarray, shape (n,) or None
        Inscribed diameter, where sections are not stated.
    """

    source: str
    level_mm: Floats
    radius_mm: Floats | None = None
    diameter_mm: Floats | None = None


@dataclass(frozen=True, eq=False)
class ExpectedComparison:
    """Expected and achieved, over the levels that both know.

    Attributes
    ----------
    source : str
    level_mm : ndarray, shape (n,)
    expected_area_mm2, achieved_area_mm2 : ndarray, shape (n,)
    expected_diameter_mm, achieved_diameter_mm : ndarray, shape (n,)
        Of equal area.
    diameter_sd_mm : ndarray, shape (n,)
        Of the achieved one.
    expected_transportation_mm, achieved_transportation_mm : dict of ndarray
        By key of the side.
    expected_removed_mm3, achieved_removed_mm3 : float
        Over these levels.
    cautions : tuple of Caution
    """

    source: str
    level_mm: Floats
    expected_area_mm2: Floats
    achieved_area_mm2: Floats
    expected_diameter_mm: Floats
    achieved_diameter_mm: Floats
    diameter_sd_mm: Floats
    expected_transportation_mm: dict[str, Floats]
    achieved_transportation_mm: dict[str, Floats]
    expected_removed_mm3: float
    achieved_removed_mm3: float
    cautions: tuple[Caution, ...]

    @property
    def mean_difference_mm(self) -> float:
        """Mean of achieved less expected diameter."""
        return float(np.mean(self.achieved_diameter_mm - self.expected_diameter_mm))

    @property
    def rms_difference_mm(self) -> float:
        """Root mean square of achieved less expected diameter."""
        return float(np.sqrt(np.mean((self.achieved_diameter_mm - self.expected_diameter_mm) ** 2)))


@dataclass(frozen=True, eq=False)
class EvaluatedCanal:
    """One canal's evaluation, and what was expected of it if that is known.

    Attributes
    ----------
    found : Evaluation
    expected : ExpectedComparison or None
    """

    found: Evaluation
    expected: ExpectedComparison | None = None

    @property
    def name(self) -> str:
        """Name of the canal."""
        return self.found.pair.before.name

    @property
    def invented(self) -> bool:
        """Whether either state is made up."""
        pair = self.found.pair
        return pair.before.provenance.invented or pair.after.provenance.invented

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """Cautions of the evaluation and of the comparison."""
        return merged(self.found.cautions, self.expected.cautions if self.expected else ())


def against_expected(found: Evaluation, expected: ExpectedShape) -> ExpectedComparison:
    """Compare an evaluation with what was expected of the same canal.

    Parameters
    ----------
    found : Evaluation
    expected : ExpectedShape

    Raises
    ------
    OutOfRange
        If the expectation is for a canal of another length, more than 0.5 mm apart.
    """
    pair = found.pair
    length, other = pair.before.length_mm, float(expected.level_mm[-1])
    if abs(length - other) > _LENGTH_SLACK_MM:
        raise OutOfRange(
            name="length of the canal in the expected result",
            got=other,
            unit="mm",
            allowed=(length - _LENGTH_SLACK_MM, length + _LENGTH_SLACK_MM),
            hint="Expected and evaluated must be the same canal, with the same terminus.",
        )
    rows = (pair.level_mm >= expected.level_mm[0]) & (pair.level_mm <= other)
    level = pair.level_mm[rows]
    radius, cautions = _expected_radius_mm(found, expected)
    before = pair.wall_before
    wall = TubeWall(pair.level_mm, before.axis_mm, before.direction0, radius)
    moved = {s.side.key: _difference(wall, s.side, radius - before.radius_mm) for s in found.sides}
    achieved = pair.after_radius_mm
    sd = np.nan_to_num(pair.after_values(pair.after.diameter_sd_mm))
    return ExpectedComparison(
        source=expected.source,
        level_mm=level,
        expected_area_mm2=section_area_mm2(radius)[rows],
        achieved_area_mm2=section_area_mm2(achieved)[rows],
        expected_diameter_mm=equivalent_diameter_mm(radius)[rows],
        achieved_diameter_mm=equivalent_diameter_mm(achieved)[rows],
        diameter_sd_mm=sd[rows],
        expected_transportation_mm={key: values[rows] for key, values in moved.items()},
        achieved_transportation_mm={s.side.key: s.transportation_mm[rows] for s in found.sides},
        expected_removed_mm3=_removed_mm3(wall, before, rows),
        achieved_removed_mm3=_removed_mm3(pair.wall_after, before, rows),
        cautions=cautions,
    )


def _expected_radius_mm(
    found: Evaluation, expected: ExpectedShape
) -> tuple[Floats, tuple[Caution, ...]]:
    level = found.pair.level_mm
    if expected.radius_mm is not None:
        columns = [np.interp(level, expected.level_mm, one) for one in expected.radius_mm.T]
        return np.stack(columns, axis=1), (SAME_AXIS,)
    diameter = np.zeros_like(level) if expected.diameter_mm is None else expected.diameter_mm
    half = np.interp(level, expected.level_mm, diameter) / 2.0
    return np.maximum(found.pair.wall_before.radius_mm, half[:, None]), (CENTERED_EXPECTATION,)


def _difference(wall: TubeWall, side: Side, values: Floats) -> Floats:
    positive, negative = along_side(wall, side, values)
    return np.asarray(positive - negative, float)


def _removed_mm3(after: TubeWall, before: TubeWall, rows: NDArray[np.bool_]) -> float:
    gained = after.slab_area_mm2 - before.slab_area_mm2
    return float(np.trapezoid(gained[rows], after.level_mm[rows]))
