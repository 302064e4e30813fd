"""Populations of canals: what is drawn, from which published values, and what is assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from canalwright.errors import OutOfRange, UnknownName
from canalwright.evidence import Evidence

__all__ = ["POPULATIONS", "Population", "Quantity", "population"]

SIZE_LEVELS_MM: Final = (1.0, 2.0, 3.0, 4.0)
"""Levels at which sizes are published."""

RANGED: Final = "mean, standard deviation, least, largest"

READ_AS_TURNING, READ_AS_SCHNEIDER = 0.0, 1.0


@dataclass(frozen=True, slots=True)
class Quantity:
    """Numbers that describe one quantity of a population, with their origin.

    Attributes
    ----------
    name : str
    values : tuple of float
    meaning : str
        What each of the values is.
    unit : str
    evidence : Evidence
    source : str
        Key of the bibliography; empty where there is none.
    note : str
    """

    name: str
    values: tuple[float, ...]
    meaning: str
    unit: str
    evidence: Evidence
    source: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Population:
    """A population of canals.

    Attributes
    ----------
    name, title : str
    quantities : tuple of Quantity
    """

    name: str
    title: str
    quantities: tuple[Quantity, ...]

    def __getitem__(self, name: str) -> tuple[float, ...]:
        return next(q.values for q in self.quantities if q.name == name)

    def with_values(self, name: str, values: tuple[float, ...]) -> Population:
        """Return the population with other values for one quantity.

        Raises
        ------
        UnknownName
            If there is no such quantity.
        OutOfRange
            If there are not as many values as before, or one is negative or not finite.
        """
        known = {q.name: q for q in self.quantities}
        if name not in known:
            raise UnknownName(kind="quantity of the population", got=name, known=tuple(known))
        old = known[name]
        if len(values) != len(old.values):
            count = len(old.values)
            raise OutOfRange(
                name=f"number of values of {name}",
                got=len(values),
                unit="",
                allowed=(count, count),
                hint=f"They are: {old.meaning}.",
            )
        for value in values:
            if not (math.isfinite(value) and value >= 0.0):
                raise OutOfRange(name=name, got=value, unit=old.unit, allowed=(0.0, None))
        if old.meaning.startswith(RANGED) and not _possible(values):
            raise OutOfRange(
                name=f"standard deviation of {name}",
                got=values[1],
                unit=old.unit,
                allowed=(0.0, _largest_sd(values)),
                hint="The mean lies between least and largest, and so do all values.",
            )
        new = replace(old, values=values, evidence=Evidence.OPERATOR, source="", note="")
        changed = tuple(new if q.name == name else q for q in self.quantities)
        return replace(self, quantities=changed)


def _possible(values: tuple[float, ...]) -> bool:
    mean, sd, least, largest = values
    return (sd == 0.0 or least < mean < largest) and sd <= _largest_sd(values)


def _largest_sd(values: tuple[float, ...]) -> float:
    """Return the deviation up to which the density has no poles at its ends."""
    mean, _, least, largest = values
    return 0.577 * max(min(mean - least, largest - mean), 0.0)


def population(name: str) -> Population:
    """Return a population by its name.

    Raises
    ------
    UnknownName
        If there is none of that name.
    """
    if name not in POPULATIONS:
        raise UnknownName(kind="population", got=name, known=tuple(POPULATIONS))
    return POPULATIONS[name]


_LENGTH = Quantity(
    "tooth_length_mm",
    (20.95, 2.0, 16.0, 26.0),
    "mean, standard deviation, least, largest",
    "mm",
    Evidence.MEMORY,
    note="lower first molar, mean of two handbooks; a standard deviation of 1.5 to 2.5 mm is usual",
)
_CROWN = Quantity(
    "cusp_to_orifice_mm",
    (7.5, 0.7, 5.5, 9.5),
    "mean, standard deviation, least, largest",
    "mm",
    Evidence.ASSUMED,
    note="taken off the tooth's length to get that of the canal",
)
_CURVED = Quantity(
    "curved_share",
    (1.0,),
    "share of canals that curve",
    "",
    Evidence.PUBLISHED,
    source="cunningham1992",
    note="lower molars: curved in both views in all of 100",
)
_WEIGHTS = Quantity(
    "curve_weights",
    (65.0, 13.0, 9.0),
    "weights of slight, marked and strong curves",
    "",
    Evidence.PUBLISHED,
    source="schafer2002",
    note="1163 canals of all tooth types; the three shares of the abstract, taken as weights",
)
_SLIGHT = Quantity(
    "slight_curve",
    (5.0, 27.0, 8.0, 40.0),
    "least and largest angle (°), least and largest radius (mm)",
    "°, mm",
    Evidence.PUBLISHED,
    source="schafer2002",
    note="upper ends published; lower ends and an even spread between them assumed",
)
_MARKED = Quantity(
    "marked_curve",
    (27.0, 35.0, 4.0, 15.0),
    "least and largest angle (°), least and largest radius (mm)",
    "°, mm",
    Evidence.PUBLISHED,
    source="schafer2002",
    note="angles and largest radius published; least radius and an even spread assumed",
)
_STRONG = Quantity(
    "strong_curve",
    (35.0, 75.0, 2.0, 13.0),
    "least and largest angle (°), least and largest radius (mm)",
    "°, mm",
    Evidence.PUBLISHED,
    source="schafer2002",
    note="ends published (the extreme was 75° at 2 mm); an even spread assumed",
)
_READING = Quantity(
    "angle_reads_as",
    (READ_AS_TURNING,),
    "0: the arc turns by the published angle; 1: it is Schneider's, and an arc turns twice as much",
    "",
    Evidence.ASSUMED,
    note="the abstract does not say which angle; 0 is the milder reading",
)
_TAIL = Quantity(
    "straight_apical_mm",
    (0.0, 3.0),
    "least and largest length of the straight part between curve and terminus",
    "mm",
    Evidence.ASSUMED,
)
_IN_NARROW = Quantity(
    "curve_across_wide_share",
    (0.8,),
    "share of canals that curve in the plane of their narrow width",
    "",
    Evidence.PUBLISHED,
    source="shiraz2001",
    note="80 % of curves lie in the mesiodistal plane, in which these canals are narrow",
)
_NARROW = Quantity(
    "narrow_mm",
    (0.22, 0.27, 0.30, 0.36),
    "medians 1, 2, 3 and 4 mm from the terminus",
    "mm",
    Evidence.PUBLISHED,
    source="villasboas2011",
    note="mesiobuccal canals, mesiodistal width",
)
_WIDE = Quantity(
    "wide_mm",
    (0.37, 0.55, 0.54, 0.54),
    "medians 1, 2, 3 and 4 mm from the terminus",
    "mm",
    Evidence.PUBLISHED,
    source="villasboas2011",
    note="mesiobuccal canals, buccolingual width",
)
_NARROW_SPREAD = Quantity(
    "narrow_spread",
    (0.29,),
    "coefficient of variation of the narrow width between canals",
    "",
    Evidence.PUBLISHED,
    source="wolf2017",
    note="0.24 ± 0.07 mm at the constriction; log-normal and common to all levels by assumption",
)
_WIDE_SPREAD = Quantity(
    "wide_spread",
    (0.45, 0.5),
    "coefficient of variation of the wide width, its rank correlation with the narrow one",
    "",
    Evidence.ASSUMED,
    note="0.39 ± 0.22 mm (0.56) at the constriction, less at other levels",
)
_TAPER = Quantity(
    "coronal_taper_mm_per_mm",
    (0.03, 0.01, 0.0, 0.08),
    "mean, standard deviation, least, largest, above 4 mm",
    "mm/mm",
    Evidence.ASSUMED,
)
_WALL = Quantity(
    "wall_min_mm",
    (1.13, 0.21, 0.67, 1.93),
    "mean, standard deviation, least, largest of the thinnest wall",
    "mm",
    Evidence.PUBLISHED,
    source="dedeus2019",
    note="mesiobuccal canals of 50 roots; a beta distribution with these four assumed",
)
_WALL_SIDE = Quantity(
    "thinnest_toward_furcation_share",
    (0.82,),
    "share of canals whose thinnest wall lies on the inner side of the curve",
    "",
    Evidence.PUBLISHED,
    source="dedeus2019",
    note="the thinnest side was mesial in 18 %; the furcal side taken as the inner one",
)
_WALL_FORM = Quantity(
    "wall_form",
    (0.2, 0.6, 0.2),
    "how much thicker: opposite wall, walls across, both ends of the canal",
    "",
    Evidence.ASSUMED,
    note="mesial wall 20 % thicker at 8 mm in one study (second-hand); the rest assumed",
)
_DENTIN = Quantity(
    "cutting_energy_spread",
    (0.457,),
    "standard deviation of the logarithm of the specific cutting energy between teeth",
    "",
    Evidence.ASSUMED,
    note="95 % within a factor of 6: the plausible span 0.5 to 3 J/mm³",
)
_FRICTION = Quantity(
    "friction_spread",
    (0.354,),
    "standard deviation of the logarithm of the friction coefficient between teeth",
    "",
    Evidence.ASSUMED,
    note="95 % within 0.1 to 0.4 about 0.2",
)
_STRENGTH = Quantity(
    "strength_spread",
    (0.15,),
    "standard deviation of the logarithm of torsional strength between instruments",
    "",
    Evidence.ASSUMED,
)
_LIFE = Quantity(
    "life_spread",
    (0.30,),
    "standard deviation of the logarithm of fatigue life between instruments",
    "",
    Evidence.PUBLISHED,
    source="huelsmann2019",
    note="single results scatter by up to 30 %; the mean life is far less certain than that",
)

_COMMON = (
    _LENGTH, _CROWN, _CURVED, _WEIGHTS, _SLIGHT, _MARKED, _STRONG, _READING, _TAIL, _IN_NARROW,
    _NARROW, _WIDE, _NARROW_SPREAD, _WIDE_SPREAD, _TAPER, _WALL, _WALL_SIDE, _WALL_FORM, _DENTIN,
    _FRICTION, _STRENGTH, _LIFE,
)  # fmt: skip

_MESIOBUCCAL = Population(
    "lower-molar-mesiobuccal", "Mesiobuccal canals of lower first molars", _COMMON
)


def _mesiolingual() -> Population:
    changed = {
        "narrow_mm": replace(
            _NARROW, values=(0.23, 0.27, 0.30, 0.35), note="mesiolingual canals, mesiodistal width"
        ),
        "wide_mm": replace(
            _WIDE, values=(0.35, 0.41, 0.49, 0.60), note="mesiolingual canals, buccolingual width"
        ),
        "wall_min_mm": replace(
            _WALL, values=(1.10, 0.21, 0.77, 1.89), note="mesiolingual canals of 50 roots"
        ),
        "thinnest_toward_furcation_share": replace(
            _WALL_SIDE, values=(0.78,), note="the thinnest side was mesial in 22 %"
        ),
    }
    quantities = tuple(changed.get(q.name, q) for q in _COMMON)
    return Population(
        "lower-molar-mesiolingual", "Mesiolingual canals of lower first molars", quantities
    )


POPULATIONS: Final = {p.name: p for p in (_MESIOBUCCAL, _mesiolingual())}
