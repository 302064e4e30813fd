"""`worked_out`: from what is entered for a visit to everything the chairside sheet shows."""

from __future__ import annotations

from dataclasses import dataclass, replace

from canalwright.anatomy.curvature import summarize_curvature
from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.instruments.instrument import Alloy
from canalwright.planning.clinical.assessment import Assessment
from canalwright.planning.clinical.case_rating import case_assessment, case_cautions
from canalwright.planning.clinical.conflicts import conflicts_for
from canalwright.planning.clinical.glide_path import (
    GlidePath,
    PatencyAdvice,
    glide_path,
    patency_advice,
)
from canalwright.planning.clinical.irrigation import (
    CanalIrrigation,
    canal_irrigation,
    flow_cautions,
    hypochlorite_cautions,
)
from canalwright.planning.clinical.lengths import CanalLength, canal_length
from canalwright.planning.clinical.levels import with_levels
from canalwright.planning.clinical.motor_lines import MotorLine, motor_line, rated
from canalwright.planning.clinical.needles import NeedleReach, needle_of
from canalwright.planning.clinical.obturation import CanalObturation, canal_obturation
from canalwright.planning.clinical.shortening import expected_changes, taut_shortening_mm
from canalwright.planning.clinical.stops import Stop, reach_cautions, stop_of
from canalwright.planning.clinical.tables import table
from canalwright.planning.clinical.visit_plan import CanalVisit, VisitPlan
from canalwright.planning.simulation import Simulation, simulate
from canalwright.planning.types import PlannedStep, Target
from canalwright.shaping.shape import Pass, Shape

__all__ = ["CanalSheet", "Visit", "VisitStep", "worked_out"]

_RECHECK_AFTER = ("scouting", "glide path", "crown-down")
_MEASURING_FILE_MM = 0.10


@dataclass(frozen=True, eq=False)
class VisitStep:
    """One step at the chair.

    Attributes
    ----------
    planned : PlannedStep
        What the step does to the canal.
    stop : Stop
    motor : MotorLine
    needle : NeedleReach
        How deep the chosen needle goes after the step.
    shortening_mm : float
        How much the way to the end may have shortened by then since before the first step; an
        upper bound from geometry.
    recheck : bool
        Whether the working length is to be checked again after the step.
    """

    planned: PlannedStep
    stop: Stop
    motor: MotorLine
    needle: NeedleReach
    shortening_mm: float
    recheck: bool


@dataclass(frozen=True, eq=False)
class CanalSheet:
    """Everything on one canal.

    Attributes
    ----------
    entered : CanalVisit
    length : CanalLength
    patency : PatencyAdvice
    glide_path : GlidePath
        Which file completes it, or why none is needed.
    steps : tuple of VisitStep
    simulation : Simulation
    irrigation : CanalIrrigation
    obturation : CanalObturation
    curvature_deg : float
        Schneider's angle in the canal's own plane.
    apical_size : int
        Largest size taken to working length; the target's if none is.
    cautions : tuple of Caution
    """

    entered: CanalVisit
    length: CanalLength
    patency: PatencyAdvice
    glide_path: GlidePath
    steps: tuple[VisitStep, ...]
    simulation: Simulation
    irrigation: CanalIrrigation
    obturation: CanalObturation
    curvature_deg: float
    apical_size: int
    cautions: tuple[Caution, ...]

    @property
    def name(self) -> str:
        """Name of the canal."""
        return self.entered.canal.name


@dataclass(frozen=True, eq=False)
class Visit:
    """A visit worked out.

    Attributes
    ----------
    plan : VisitPlan
    canals : tuple of CanalSheet
    assessment : Assessment
    cautions : tuple of Caution
        All of them, each once.
    conflicts : tuple of Caution
        Published statements that contradict each other.
    """

    plan: VisitPlan
    canals: tuple[CanalSheet, ...]
    assessment: Assessment
    cautions: tuple[Caution, ...]
    conflicts: tuple[Caution, ...]


def worked_out(plan: VisitPlan) -> Visit:
    """Compute a visit from what was entered; the same input gives the same result.

    Raises
    ------
    UsageError
        If no length of a canal is known.
    OutOfRange
        If an entry is impossible.
    """
    canals = tuple(_canal_sheet(visit, plan) for visit in plan.canals)
    assessment = _assessment(plan)
    cautions = merged(
        *(sheet.cautions for sheet in canals),
        case_cautions(assessment),
        flow_cautions(plan.irrigation),
        hypochlorite_cautions(plan.irrigation),
        CLINICAL_CAUTIONS,
    )
    return Visit(plan, canals, assessment, cautions, conflicts_for(plan.tooth, plan.technique))


def _canal_sheet(visit: CanalVisit, plan: VisitPlan) -> CanalSheet:
    length = canal_length(visit)
    visit = _refined(visit, length)
    run = _simulated(visit, length)
    irrigation = _irrigated(visit, plan, length, run)
    obturation = _filled(visit, plan, length, run)
    patency = _kept_open(visit, length)
    steps = _steps(visit, length, run, irrigation)
    stops = (*(step.stop for step in steps), *([patency.stop] if patency.stop else []))
    return CanalSheet(
        entered=visit,
        length=length,
        patency=patency,
        glide_path=glide_path(run),
        steps=steps,
        simulation=run,
        irrigation=irrigation,
        obturation=obturation,
        curvature_deg=summarize_curvature(visit.canal).schneider_deg,
        apical_size=_apical_size(visit),
        cautions=merged(
            length.cautions,
            reach_cautions(stops, visit.canal.name),
            irrigation.cautions,
            obturation.cautions,
            patency.cautions,
            _shortening_caution(visit, steps),
            _named(visit.canal.name, run),
        ),
    )


def _irrigated(
    visit: CanalVisit, plan: VisitPlan, length: CanalLength, run: Simulation
) -> CanalIrrigation:
    return canal_irrigation(
        visit.canal.name,
        (run.start, *(planned.step.after for planned in run.plan.steps)),
        plan.irrigation,
        needle_of(plan.irrigation.gauge),
        end_level_mm=length.end_level_mm,
        terminus_mm=length.terminus_mm,
        apical_size=_apical_size(visit),
    )


def _filled(
    visit: CanalVisit, plan: VisitPlan, length: CanalLength, run: Simulation
) -> CanalObturation:
    return canal_obturation(
        visit.canal.name,
        run.plan.final,
        _apical_size(visit),
        end_level_mm=length.end_level_mm,
        terminus_mm=length.terminus_mm,
        cone=visit.cone,
        plugger_mm=plan.plugger_mm,
        file_tolerance_mm=max(wish.instrument.tolerance_mm for wish in visit.steps),
    )


def _kept_open(visit: CanalVisit, length: CanalLength) -> PatencyAdvice:
    return patency_advice(
        visit.patency,
        Shape.of(visit.canal),
        terminus_mm=length.terminus_mm,
        end_level_mm=length.end_level_mm,
        skipped=visit.patency_skipped,
    )


def _refined(visit: CanalVisit, length: CanalLength) -> CanalVisit:
    ends = [length.end_level_mm + wish.short_mm for wish in visit.steps]
    return replace(visit, canal=with_levels(visit.canal, [length.end_level_mm, *ends]))


def _simulated(visit: CanalVisit, length: CanalLength) -> Simulation:
    end = length.end_level_mm
    passes = [Pass(rated(w.instrument, w.rating), end + w.short_mm) for w in visit.steps]
    target = Target(
        visit.target_size,
        visit.target_taper_mm_per_mm,
        coronal_limit_mm=visit.canal.length_mm,
        end_level_mm=max(end, 0.0),
    )
    return simulate(
        visit.canal,
        passes,
        target,
        patency=visit.patency,
        # Stops and reach are judged here; a contradictory length must not stop the rest.
        working_length_mm=visit.canal.length_mm,
        torque_limit_ncm=visit.torque_limit_ncm,
        full_loads=True,
    )


def _apical_size(visit: CanalVisit) -> int:
    full = [wish.instrument.size for wish in visit.steps if wish.short_mm <= 1e-9]
    return max(full, default=visit.target_size)


def _steps(
    visit: CanalVisit, length: CanalLength, run: Simulation, irrigation: CanalIrrigation
) -> tuple[VisitStep, ...]:
    before = _straightening_mm(visit, length, run.start)
    # The first instrument at length is the first chance to check it, whatever it is for.
    first = next((at for at, wish in enumerate(visit.steps) if wish.short_mm <= 1e-9), 0)
    found = []
    for at, (wish, planned) in enumerate(zip(visit.steps, run.plan.steps, strict=True)):
        made = planned.step.made
        after = _straightening_mm(visit, length, planned.step.after)
        found.append(
            VisitStep(
                planned=planned,
                stop=stop_of(made.instrument, made.tip_level_mm, length.terminus_mm),
                motor=motor_line(planned, wish.rating),
                needle=irrigation.chosen[at + 1],
                shortening_mm=max(after - before, 0.0),
                recheck=planned.purpose in _RECHECK_AFTER or at == first,
            )
        )
    return tuple(found)


def _straightening_mm(visit: CanalVisit, length: CanalLength, shape: Shape) -> float:
    return taut_shortening_mm(
        visit.canal, shape, _MEASURING_FILE_MM, from_level_mm=max(length.end_level_mm, 0.0)
    )


def _shortening_caution(visit: CanalVisit, steps: tuple[VisitStep, ...]) -> tuple[Caution, ...]:
    most = max((step.shortening_mm for step in steps), default=0.0)
    cutting = [step.planned for step in steps if step.planned.step.engaged.any()]
    steel = any(planned.instrument.alloy is Alloy.STAINLESS for planned in cutting)
    alloy = "stainless" if steel else "nickel-titanium"
    before, after = (_listed(alloy, after_flaring=flared) for flared in (False, True))
    return (
        Caution(
            "LENGTH_SHORTENS",
            f"Canal {visit.canal.name}: by geometry alone the way may shorten by up to {most:.2f} "
            f"mm while the canal is opened. Published means with {alloy}: {before} mm where the "
            f"length was taken before coronal flaring, {after} mm after it. Check the length again "
            "where marked.",
            str(table("working_length")["recheck"]["source"]),
        ),
    )


def _listed(alloy: str, *, after_flaring: bool) -> str:
    rows = expected_changes(alloy, after_flaring=after_flaring)
    return " and ".join(f"{row.change_mm.value:.2f}".replace("-", "−") for row in rows)


def _named(name: str, run: Simulation) -> tuple[Caution, ...]:
    """Return the cautions of canal and sequence; those that state values name the canal."""
    carried = merged(
        run.plan.cautions,
        run.cautions,
        *(step.cautions for step in run.plan.steps),
        *(step.loads.cautions for step in run.plan.steps),
    )
    return tuple(
        replace(c, text=f"Canal {name}: {c.text}") if _states_values(c) else c
        for c in carried
        if c not in CLINICAL_CAUTIONS
    )


def _states_values(caution: Caution) -> bool:
    return any(character.isdigit() for character in caution.text)


def _assessment(plan: VisitPlan) -> Assessment:
    lengths = [visit.tooth_length_mm for visit in plan.canals]
    known = [length for length in lengths if length is not None]
    return case_assessment(
        (visit.canal for visit in plan.canals),
        tooth=plan.tooth,
        tooth_length_mm=max(known, default=None),
        rated=plan.factors,
    )
