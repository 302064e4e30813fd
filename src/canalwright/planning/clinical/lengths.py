"""The working length of one canal: estimates, the operator's choice, and checks."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange, UsageError
from canalwright.planning.clinical.visit_plan import CanalVisit
from canalwright.planning.clinical.working_length import (
    Combination,
    Landmark,
    LengthReading,
    Method,
    combined,
    landmark_short_mm,
)

__all__ = ["CanalLength", "canal_length"]

_SLACK_MM = 0.05


@dataclass(frozen=True, slots=True)
class CanalLength:
    """The working length of one canal.

    Attributes
    ----------
    reference : str
    combination : Combination or None
        None where only a confirmed length is known.
    working_length_mm : float
        From the coronal reference to the end of the preparation.
    terminus_mm : float
        From the coronal reference to level 0, the foramen.
    end_level_mm : float
        Level of the end of the preparation; below 0 past the foramen.
    sd_mm : float or None
        Of the working length with the spread of the landmark; None where it was confirmed.
    confirmed : bool
    cautions : tuple of Caution
    """

    reference: str
    combination: Combination | None
    working_length_mm: float
    terminus_mm: float
    end_level_mm: float
    sd_mm: float | None
    confirmed: bool
    cautions: tuple[Caution, ...]


def canal_length(visit: CanalVisit) -> CanalLength:
    """Return the working length of a canal from what was entered.

    Raises
    ------
    UsageError
        If neither crown part, reading nor confirmed length was given.
    OutOfRange
        If the preparation would end above the orifice, or no reading fits into the tooth.
    """
    landmark = landmark_short_mm(visit.policy.landmark, old=visit.older)
    end = landmark.value + visit.policy.short_mm
    combination = _combination(visit)
    if visit.confirmed_mm is not None:
        terminus, sd = visit.confirmed_mm + end, None
    elif combination is not None:
        terminus, sd = combination.terminus_mm, hypot(combination.sd_mm, landmark.sd or 0.0)
    else:
        raise UsageError(
            f"Canal {visit.canal.name!r}: no length is known. Give the crown part (orifice to "
            "coronal reference), a reading, or a confirmed working length."
        )
    _check_room(visit, terminus, end)
    found = CanalLength(
        reference=visit.reference or "coronal reference (not named)",
        combination=combination,
        working_length_mm=terminus - end,
        terminus_mm=terminus,
        end_level_mm=end,
        sd_mm=sd,
        confirmed=visit.confirmed_mm is not None,
        cautions=(),
    )
    return _with_cautions(found, visit)


def _combination(visit: CanalVisit) -> Combination | None:
    readings = visit.readings
    if visit.crown_mm is not None:
        scan = LengthReading(
            Method.SCAN,
            visit.canal.length_mm + visit.crown_mm,
            Landmark.FORAMEN,
            note=f"canal {visit.canal.length_mm:.1f} mm + crown part {visit.crown_mm:.1f} mm",
        )
        readings = (scan, *readings)
    if not readings:
        return None
    return combined(readings, tooth_length_mm=visit.tooth_length_mm, old=visit.older)


def _check_room(visit: CanalVisit, terminus_mm: float, end_level_mm: float) -> None:
    most = visit.tooth_length_mm
    if visit.confirmed_mm is not None and most is not None and visit.confirmed_mm > most + 0.5:
        raise OutOfRange(
            name=f"confirmed working length of canal {visit.canal.name!r}",
            got=visit.confirmed_mm,
            unit="mm",
            allowed=(0.0, most),
            hint="It is longer than the tooth; check the tooth's length and the reference.",
        )
    if not 0.0 < terminus_mm - end_level_mm <= 40.0 or end_level_mm >= visit.canal.length_mm:
        raise OutOfRange(
            name=f"working length of canal {visit.canal.name!r}",
            got=terminus_mm - end_level_mm,
            unit="mm",
            allowed=(0.0, 40.0),
        )


def _with_cautions(found: CanalLength, visit: CanalVisit) -> CanalLength:
    name, combination = visit.canal.name, found.combination
    cautions = list(combination.cautions) if combination is not None else []
    cautions = [Caution(c.code, f"Canal {name}: {c.text}", c.source) for c in cautions]
    if found.end_level_mm < -1e-9:
        cautions.append(
            Caution(
                "PAST_FORAMEN",
                f"Canal {name}: {visit.policy.text} lies about {-found.end_level_mm:.1f} mm past "
                "the foramen, which on average opens short of the apex: instruments would leave "
                "the root.",
                "kuttler1955",
            )
        )
    if found.terminus_mm < visit.canal.length_mm - _SLACK_MM:
        cautions.append(
            Caution(
                "LENGTH_SHORTER_THAN_CANAL",
                f"Canal {name}: {found.terminus_mm:.1f} mm from the reference to the foramen is "
                f"less than the canal alone measures ({visit.canal.length_mm:.1f} mm). Scan and "
                "length contradict each other; check both.",
                "project rule",
            )
        )
    if not visit.reference:
        cautions.append(
            Caution(
                "REFERENCE_NOT_NAMED",
                f"Canal {name}: the coronal reference was not named; every length hangs on it.",
                "project rule",
            )
        )
    cautions += _confirmation(found, name)
    return CanalLength(
        found.reference,
        combination,
        found.working_length_mm,
        found.terminus_mm,
        found.end_level_mm,
        found.sd_mm,
        found.confirmed,
        tuple(cautions),
    )


def _confirmation(found: CanalLength, name: str) -> list[Caution]:
    if not found.confirmed:
        return [
            Caution(
                "LENGTH_NOT_CONFIRMED",
                "The working length is an estimate: confirm it in the tooth (electronically and "
                "with a radiograph) before the first instrument goes there.",
                "project rule",
            )
        ]
    combination = found.combination
    if combination is None:
        return []
    off = found.terminus_mm - combination.terminus_mm
    if abs(off) <= 2.0 * combination.sd_mm:
        return []
    return [
        Caution(
            "CONFIRMED_AGAINST_ESTIMATES",
            f"Canal {name}: the confirmed length is {abs(off):.1f} mm "
            f"{'longer' if off > 0.0 else 'shorter'} than the estimates give (± "
            f"{combination.sd_mm:.1f} mm). It is used as confirmed; check the reference.",
            "project rule",
        )
    ]
