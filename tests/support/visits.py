"""Invented visits for tests: two tapered canals with a sequence each."""

from __future__ import annotations

from typing import Any

from canalwright.anatomy.canal import Canal
from canalwright.instruments.standard import find_instrument
from canalwright.planning.clinical.teeth import parse_tooth
from canalwright.planning.clinical.visit_plan import CanalVisit, StepWish, VisitPlan
from canalwright.planning.clinical.working_length import LengthReading, Method
from canalwright.planning.patency import patency_pass
from support.canals import tapered_canal

__all__ = ["canal_visit", "steps", "two_canals"]

SEQUENCE = (
    ("hand-15-02", 0.0),
    ("engine-50-06", 7.0),
    ("engine-25-04", 0.0),
    ("engine-30-04", 0.0),
)


def steps(*listed: tuple[str, float]) -> tuple[StepWish, ...]:
    return tuple(StepWish(find_instrument(name), short) for name, short in listed or SEQUENCE)


def canal_visit(canal: Canal, **entered: Any) -> CanalVisit:
    usual: dict[str, Any] = {
        "steps": steps(),
        "reference": "mesiobuccal cusp",
        "crown_mm": 7.0,
        "readings": (LengthReading(Method.ELECTRONIC, canal.length_mm + 7.2),),
        "patency": patency_pass(find_instrument("hand-10-02"), 0.5),
    }
    return CanalVisit(canal, **(usual | entered))


def two_canals(**entered: Any) -> VisitPlan:
    first = tapered_canal(name="MB", spacing_mm=0.25, curve_radius_mm=9.0, oval=1.5)
    second = tapered_canal(name="ML", spacing_mm=0.25, apical_mm=0.22, length_mm=12.5)
    usual: dict[str, Any] = {
        "canals": (canal_visit(first), canal_visit(second)),
        "tooth": parse_tooth("36"),
    }
    return VisitPlan(**(usual | entered))
