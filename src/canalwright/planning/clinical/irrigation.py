"""Irrigation of one canal: needle depth after every step, irrigants, disputed yardsticks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from canalwright.cautions import Caution
from canalwright.errors import OutOfRange
from canalwright.evidence import Evidence
from canalwright.planning.clinical.needles import (
    Needle,
    NeedleReach,
    Vent,
    needle_reach,
    needle_table,
    replacement_mm,
)
from canalwright.planning.clinical.tables import table
from canalwright.shaping.shape import Shape

__all__ = [
    "CanalIrrigation",
    "IrrigationPlan",
    "PressureYardstick",
    "Rinse",
    "canal_irrigation",
    "default_rinses",
    "flow_cautions",
    "hypochlorite_cautions",
    "mmhg_to_pa",
    "pressure_yardsticks",
]

_PA_PER_MMHG: Final = 133.322387415


@dataclass(frozen=True, slots=True)
class Rinse:
    """One line of the plan of irrigants.

    Attributes
    ----------
    when, irrigant, strength : str
    volume_ml, contact_s : float
    evidence : Evidence
        Operator where the line was entered or changed.
    note : str
    """

    when: str
    irrigant: str
    strength: str
    volume_ml: float
    contact_s: float
    evidence: Evidence
    note: str = ""

    def __post_init__(self) -> None:
        for name, value, unit, most in (
            ("volume", self.volume_ml, "mL", 100.0),
            ("contact time", self.contact_s, "s", 3600.0),
        ):
            if not 0.0 <= value <= most:
                raise OutOfRange(
                    name=f"{name} of {self.irrigant}", got=value, unit=unit, allowed=(0.0, most)
                )


@dataclass(frozen=True, slots=True)
class PressureYardstick:
    """A published limit of flow; see :cite:`khan2013` and :cite:`park2013`."""

    flow_ml_per_min: float
    text: str
    source: str


def default_rinses() -> tuple[Rinse, ...]:
    """Return the plan of irrigants of the table, to be edited."""
    rows: list[dict[str, Any]] = table("irrigation")["rinse"]
    return tuple(
        Rinse(
            row["when"],
            row["irrigant"],
            row["strength"],
            float(row["volume_ml"]),
            float(row["contact_s"]),
            Evidence(row["evidence"]),
            row["note"],
        )
        for row in rows
    )


@dataclass(frozen=True, slots=True)
class IrrigationPlan:
    """What the operator wants.

    Attributes
    ----------
    gauge : int
        Of the needle to use.
    vent : Vent
    short_mm : float
        How far short of working length the tip stays.
    flow_ml_per_min : float or None
        None leaves the choice open; published limits disagree.
    rinses : tuple of Rinse
    """

    gauge: int = 30
    vent: Vent = Vent.SIDE
    short_mm: float = 1.0
    flow_ml_per_min: float | None = None
    rinses: tuple[Rinse, ...] = field(default_factory=default_rinses)

    def __post_init__(self) -> None:
        if not 0.0 <= self.short_mm <= 10.0:
            raise OutOfRange(
                name="distance of the needle from working length",
                got=self.short_mm,
                unit="mm",
                allowed=(0.0, 10.0),
            )
        if self.flow_ml_per_min is not None and not 0.0 < self.flow_ml_per_min <= 60.0:
            raise OutOfRange(
                name="flow", got=self.flow_ml_per_min, unit="mL/min", allowed=(0.0, 60.0)
            )


@dataclass(frozen=True, eq=False)
class CanalIrrigation:
    """Needle depths in one canal.

    Attributes
    ----------
    chosen : tuple of NeedleReach
        Of the needle to use, one for each state of the canal, the untouched one first.
    states : tuple of tuple of NeedleReach
        Of every needle of the table, for each state of the canal, the untouched one first.
    cautions : tuple of Caution
    """

    chosen: tuple[NeedleReach, ...]
    states: tuple[tuple[NeedleReach, ...], ...]
    cautions: tuple[Caution, ...]

    @property
    def final(self) -> tuple[NeedleReach, ...]:
        """Every needle of the table in the finished canal."""
        return self.states[-1]

    def thickest(self, state: int, short_mm: float) -> NeedleReach | None:
        """Return the thickest needle that comes within a distance of working length in a state."""
        for reach in self.states[state]:
            if reach.short_mm is not None and reach.short_mm <= short_mm + 1e-9:
                return reach
        return None


def canal_irrigation(
    canal_name: str,
    shapes: Sequence[Shape],
    plan: IrrigationPlan,
    needle: Needle,
    *,
    end_level_mm: float,
    terminus_mm: float,
    apical_size: int,
) -> CanalIrrigation:
    """Return how deep needles go in every state of a canal.

    Parameters
    ----------
    canal_name : str
    shapes : sequence of Shape
        The canal before the first step and after each.
    plan : IrrigationPlan
    needle : Needle
        The needle to use.
    end_level_mm : float
        Level of the working length.
    terminus_mm : float
        From the coronal reference to level 0.
    apical_size : int
        Final apical size, ISO number.
    """
    place: Mapping[str, float] = {
        "end_level_mm": end_level_mm,
        "terminus_mm": terminus_mm,
        "short_mm": plan.short_mm,
    }

    def reach(one: Needle, shape: Shape) -> NeedleReach:
        return needle_reach(one, plan.vent, shape.level_mm, shape.inscribed_mm, **place)

    chosen = tuple(reach(needle, shape) for shape in shapes)
    states = tuple(tuple(reach(one, shape) for one in needle_table()) for shape in shapes)
    cautions = _depth_cautions(canal_name, chosen[-1], plan) + _setting(apical_size)
    return CanalIrrigation(chosen, states, cautions)


def pressure_yardsticks() -> tuple[PressureYardstick, ...]:
    """Return the published limits of flow, lowest first; they contradict each other."""
    rows: list[dict[str, Any]] = table("irrigation")["pressure"]
    return tuple(
        PressureYardstick(float(row["flow_ml_per_min"]), row["text"], row["source"]) for row in rows
    )


def flow_cautions(plan: IrrigationPlan) -> tuple[Caution, ...]:
    """Return which published limits a chosen flow exceeds."""
    flow = plan.flow_ml_per_min
    if flow is None:
        return ()
    above = [y for y in pressure_yardsticks() if flow > y.flow_ml_per_min + 1e-9]
    if not above:
        return ()
    named = ", ".join(f"{y.flow_ml_per_min:g}" for y in above)
    text = f"The chosen flow of {flow:g} mL/min exceeds published limits of {named} mL/min."
    return (Caution("FLOW_ABOVE_YARDSTICK", text, above[0].source),)


def hypochlorite_cautions(plan: IrrigationPlan) -> tuple[Caution, ...]:
    """Return the rules that go with sodium hypochlorite, if it is used."""
    if not any("hypochlorite" in rinse.irrigant.lower() for rinse in plan.rinses):
        return ()
    entry = table("irrigation")["hypochlorite"]
    return (
        Caution(
            "HYPOCHLORITE", f"Sodium hypochlorite: {'; '.join(entry['rules'])}.", entry["source"]
        ),
    )


def mmhg_to_pa(value_mmhg: float) -> float:
    """Convert millimeters of mercury to pascals."""
    return value_mmhg * _PA_PER_MMHG


def _depth_cautions(
    canal_name: str, reach: NeedleReach, plan: IrrigationPlan
) -> tuple[Caution, ...]:
    needle = reach.needle
    size = f"{needle.gauge} gauge needle ({needle.least_mm:.3f} to {needle.most_mm:.3f} mm)"
    if reach.tip_level_mm is None or reach.short_mm is None:
        return (
            Caution(
                "NEEDLE_TOO_WIDE",
                f"Canal {canal_name}: a {size} is wider than the canal everywhere it should go, "
                "even after the last step; take a thinner needle or prepare wider.",
                "iso9626",
            ),
        )
    if reach.replaces_to_end:
        return ()
    why = "where it does not bind" if reach.short_mm > plan.short_mm + 1e-9 else "as asked for"
    return (
        Caution(
            "NO_REPLACEMENT_AT_END",
            f"Canal {canal_name}: the {plan.vent} {needle.gauge} gauge needle stays "
            f"{reach.short_mm:.1f} mm short ({why}); by computed flow the irrigant is replaced "
            f"only {replacement_mm(plan.vent):g} mm beyond the tip.",
            "boutsioukis2010",
        ),
    )


def _setting(apical_size: int) -> tuple[Caution, ...]:
    row = table("irrigation")["replacement"]
    if apical_size >= int(row["size"]):
        return ()
    return (
        Caution(
            "REPLACEMENT_OTHER_SETTING",
            f"The reach beyond the needle's tip was computed in a canal {row['size']}/.06 with "
            "a 30 gauge needle at 15.6 mL/min; in a narrower canal or at lower flow it may be "
            "less.",
            "boutsioukis2010",
        ),
    )
