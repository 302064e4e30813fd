"""`VisitPlan`: everything the operator enters for a visit, frozen; results are computed from it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange, UnknownName, UsageError
from canalwright.instruments.instrument import Instrument
from canalwright.planning.clinical.assessment import RatedFactor
from canalwright.planning.clinical.checklist import ChecklistItem, checklist
from canalwright.planning.clinical.cones import Cone
from canalwright.planning.clinical.diagnosis import Diagnosis
from canalwright.planning.clinical.irrigation import IrrigationPlan
from canalwright.planning.clinical.motor_lines import MakerRating
from canalwright.planning.clinical.teeth import Tooth
from canalwright.planning.clinical.working_length import POLICIES, LengthReading, TerminusPolicy
from canalwright.shaping.shape import Pass

__all__ = ["CanalVisit", "StepWish", "VisitPlan"]

_LONGEST_MM = 40.0
_LONGEST_CROWN_MM = 20.0


@dataclass(frozen=True, slots=True)
class StepWish:
    """One step of the sequence.

    Attributes
    ----------
    instrument : Instrument
    short_mm : float
        How far short of working length its tip stays.
    rating : MakerRating or None
        What the operator entered from its instructions for use.
    """

    instrument: Instrument
    short_mm: float = 0.0
    rating: MakerRating | None = None

    def __post_init__(self) -> None:
        if not 0.0 <= self.short_mm < _LONGEST_MM:
            raise OutOfRange(
                name=f"distance of {self.instrument.id} from working length",
                got=self.short_mm,
                unit="mm",
                allowed=(0.0, _LONGEST_MM),
            )


@dataclass(frozen=True, eq=False)
class CanalVisit:
    """What is entered for one canal.

    Attributes
    ----------
    canal : Canal
        As measured; its level 0 stands for the apical foramen.
    steps : tuple of StepWish
    target_size : int
        Final apical size, ISO number.
    target_taper_mm_per_mm : float
    reference : str
        Coronal reference in words: a cusp, an edge, a flattened wall.
    crown_mm : float or None
        From the top of the measured canal (orifice level) along the way of the instrument to the
        coronal reference.
    readings : tuple of LengthReading
        Beside the one from scan and crown part.
    policy : TerminusPolicy
    older : bool
        Landmarks of people over 55.
    confirmed_mm : float or None
        Working length confirmed in the tooth; it takes the place of all estimates.
    tooth_length_mm : float or None
        Of the whole tooth from the same reference.
    patency : Pass or None
    patency_skipped : str
        Why there is none.
    torque_limit_ncm : float or None
        The operator's own limit.
    cone : Cone or None
        The operator's master cone.

    Raises
    ------
    OutOfRange
        If a length is impossible.
    UsageError
        If there is no step.
    """

    canal: Canal
    steps: tuple[StepWish, ...]
    target_size: int = 30
    target_taper_mm_per_mm: float = 0.04
    reference: str = ""
    crown_mm: float | None = None
    readings: tuple[LengthReading, ...] = ()
    policy: TerminusPolicy = POLICIES["half-short"]
    older: bool = False
    confirmed_mm: float | None = None
    tooth_length_mm: float | None = None
    patency: Pass | None = None
    patency_skipped: str = ""
    torque_limit_ncm: float | None = None
    cone: Cone | None = None

    def __post_init__(self) -> None:
        for name, value, most in (
            ("crown part", self.crown_mm, _LONGEST_CROWN_MM),
            ("confirmed working length", self.confirmed_mm, _LONGEST_MM),
            ("tooth length", self.tooth_length_mm, _LONGEST_MM),
        ):
            if value is not None and not 0.0 <= value <= most:
                raise OutOfRange(
                    name=f"{name} of canal {self.canal.name!r}",
                    got=value,
                    unit="mm",
                    allowed=(0.0, most),
                )
        if not self.steps:
            raise UsageError(f"Canal {self.canal.name!r} has no sequence of instruments.")


@dataclass(frozen=True, eq=False)
class VisitPlan:
    """Everything that is entered for a visit.

    Attributes
    ----------
    canals : tuple of CanalVisit
        At least one, with different names.
    tooth : Tooth or None
    title : str
    diagnosis : Diagnosis
    factors : tuple of RatedFactor
        Rated by the operator; curvature, length and position are rated from canal and tooth
        where they are not among them.
    checklist : tuple of ChecklistItem
    irrigation : IrrigationPlan
    plugger_mm : tuple of float
        Tip diameters at hand.
    technique, notes : str

    Raises
    ------
    UsageError
        If there is no canal, or a name occurs twice.
    """

    canals: tuple[CanalVisit, ...]
    tooth: Tooth | None = None
    title: str = ""
    diagnosis: Diagnosis = field(default_factory=Diagnosis)
    factors: tuple[RatedFactor, ...] = ()
    checklist: tuple[ChecklistItem, ...] = field(default_factory=checklist)
    irrigation: IrrigationPlan = field(default_factory=IrrigationPlan)
    plugger_mm: tuple[float, ...] = ()
    technique: str = ""
    notes: str = ""

    def __post_init__(self) -> None:
        names = [visit.canal.name for visit in self.canals]
        if not names or len(set(names)) != len(names):
            raise UsageError(
                f"A visit needs canals of different names; got {', '.join(names) or 'none'}."
            )

    @property
    def invented(self) -> bool:
        """Whether any canal is made up."""
        return any(visit.canal.provenance.invented for visit in self.canals)

    def changed(self, canal_name: str, change: Callable[[CanalVisit], CanalVisit]) -> VisitPlan:
        """Return the same visit with one canal changed.

        Raises
        ------
        UnknownName
            If no canal has that name.
        """
        known = tuple(visit.canal.name for visit in self.canals)
        if canal_name not in known:
            raise UnknownName(kind="canal of the visit", got=canal_name, known=known)
        return replace(
            self,
            canals=tuple(
                change(visit) if visit.canal.name == canal_name else visit for visit in self.canals
            ),
        )

    def with_working_length(self, canal_name: str, working_length_mm: float) -> VisitPlan:
        """Return the same visit with a working length confirmed in the tooth."""
        return self.changed(
            canal_name, lambda visit: replace(visit, confirmed_mm=working_length_mm)
        )
