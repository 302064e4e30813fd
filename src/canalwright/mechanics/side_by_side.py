"""Two instruments side by side: volume, stiffness, torsional strength and life in one curve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from canalwright.cautions import Caution, merged
from canalwright.errors import OutOfRange
from canalwright.instruments.alloys import AlloySet
from canalwright.instruments.instrument import Instrument
from canalwright.instruments.section_table import cutting_volume_mm3
from canalwright.mechanics.bench_tests import (
    BendingTest,
    TorsionTest,
    bending_test,
    torsion_test,
)
from canalwright.mechanics.fatigue import STRAIN_VALIDITY, surface_strain
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters

__all__ = ["Curve", "MechanicalComparison", "compare_mechanics"]

OTHER_ALLOY: Final = Caution(
    "FATIGUE_OF_OTHER_ALLOY",
    "Life is not compared: the two instruments are of different alloys, and one strain-life law "
    "does not serve both.",
    "project rule",
)
SECTIONS_ASSUMED: Final = Caution(
    "SECTION_ASSUMED",
    "The section of at least one instrument is assumed; stiffness and strength follow it.",
    "project rule",
)


@dataclass(frozen=True, slots=True)
class Curve:
    """A curve in which both instruments turn.

    Attributes
    ----------
    radius_mm : float
        Radius of the instrument's axis there, above 0.
    station_mm : float
        Station of the instruments in the middle of the curve.
    """

    radius_mm: float = 5.0
    station_mm: float = 5.0


@dataclass(frozen=True, slots=True)
class MechanicalComparison:
    """Instrument `b` over instrument `a`.

    Attributes
    ----------
    a_volume_mm3, b_volume_mm3 : float
        Of the cutting part.
    a_bending, b_bending : BendingTest
    a_torsion, b_torsion : TorsionTest
    moment_ratio, stiffness_ratio, strength_ratio : float
        Moment at 45°, stiffness in bending for small angles, torsional strength: b over a.
    life_ratio : float or None
        Turns to fracture of b over a in the same curve; None where one law does not serve both.
    cautions : tuple of Caution
    """

    a_volume_mm3: float
    b_volume_mm3: float
    a_bending: BendingTest
    b_bending: BendingTest
    a_torsion: TorsionTest
    b_torsion: TorsionTest
    moment_ratio: float
    stiffness_ratio: float
    strength_ratio: float
    life_ratio: float | None
    cautions: tuple[Caution, ...]


def compare_mechanics(
    a: Instrument,
    b: Instrument,
    *,
    curve: Curve | None = None,
    a_alloy: AlloySet | None = None,
    b_alloy: AlloySet | None = None,
    parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS,
) -> MechanicalComparison:
    """Compare the mechanics of two instruments.

    Parameters
    ----------
    a, b : Instrument
    curve : Curve, optional
        Radius 5 mm at station 5 mm when not given.
    a_alloy, b_alloy : AlloySet, optional
        Those of the instruments' classes when not given.
    parameters : LoadParameters
        For the exponent of the strain-life law.

    Raises
    ------
    OutOfRange
        If the curve's radius is not above 0, its station is not on both instruments, or an
        instrument is no longer than the grip of the bench tests.
    """
    where = Curve() if curve is None else curve
    _check_curve(where, min(a.overall_length_mm, b.overall_length_mm))
    bending = bending_test(a, a_alloy), bending_test(b, b_alloy)
    torsion = torsion_test(a, a_alloy), torsion_test(b, b_alloy)
    life, life_cautions = _life_ratio(a, b, where, parameters)
    assumed = any("section" in instrument.assumed for instrument in (a, b))
    return MechanicalComparison(
        cutting_volume_mm3(a),
        cutting_volume_mm3(b),
        *bending,
        *torsion,
        moment_ratio=bending[1].moment_ncm / bending[0].moment_ncm,
        stiffness_ratio=bending[1].stiffness_nmm_per_rad / bending[0].stiffness_nmm_per_rad,
        strength_ratio=torsion[1].strength_ncm / torsion[0].strength_ncm,
        life_ratio=life,
        cautions=merged(
            bending[0].cautions,
            bending[1].cautions,
            life_cautions,
            (SECTIONS_ASSUMED,) if assumed else (),
        ),
    )


def _life_ratio(
    a: Instrument, b: Instrument, curve: Curve, parameters: LoadParameters
) -> tuple[float | None, tuple[Caution, ...]]:
    """Return the ratio of lives of one strain-life law: its coefficient cancels."""
    if a.alloy is not b.alloy:
        return None, (OTHER_ALLOY,)
    strains = [
        float(surface_strain(instrument.diameter_mm(curve.station_mm), 1.0 / curve.radius_mm))
        for instrument in (a, b)
    ]
    ratio = (strains[1] / strains[0]) ** (1.0 / parameters.fatigue_exponent.value)
    return float(ratio), STRAIN_VALIDITY.cautions(max(strains))


def _check_curve(curve: Curve, length_mm: float) -> None:
    if not curve.radius_mm > 0.0:
        raise OutOfRange(
            name="radius of the curve",
            got=curve.radius_mm,
            unit="mm",
            allowed=(0.0, None),
            above=True,
        )
    if not 0.0 <= curve.station_mm <= length_mm:
        raise OutOfRange(
            name="station in the curve",
            got=curve.station_mm,
            unit="mm",
            allowed=(0.0, length_mm),
        )
