"""From the entries of a ``visit-plan@1`` document to `VisitPlan`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from canalwright.anatomy.canal import Canal
from canalwright.errors import MalformedText, UnknownName, UnreadableFile, UsageError
from canalwright.evidence import Evidence
from canalwright.exchange.canals_in import canal_from_record
from canalwright.exchange.document import read_document
from canalwright.exchange.visit_entries import (
    CanalEntry,
    ConeEntry,
    IrrigationEntry,
    ReadingEntry,
    StepEntry,
    VisitEntries,
)
from canalwright.exchange.visits import VisitDocument
from canalwright.instruments.instrument import Instrument
from canalwright.instruments.standard import find_instrument
from canalwright.planning.clinical.assessment import (
    Difficulty,
    RatedFactor,
    factor_of,
    rated_value,
)
from canalwright.planning.clinical.checklist import checklist
from canalwright.planning.clinical.cones import Cone
from canalwright.planning.clinical.diagnosis import Diagnosis
from canalwright.planning.clinical.irrigation import IrrigationPlan, Rinse, default_rinses
from canalwright.planning.clinical.motor_lines import MakerRating, Motion
from canalwright.planning.clinical.needles import Vent
from canalwright.planning.clinical.teeth import parse_tooth
from canalwright.planning.clinical.visit_plan import CanalVisit, StepWish, VisitPlan
from canalwright.planning.clinical.working_length import (
    POLICIES,
    Landmark,
    LengthReading,
    Method,
    proportional_length_mm,
)
from canalwright.planning.patency import patency_pass
from canalwright.units import parse_speed_rpm, parse_torque_ncm

__all__ = ["rated_factor", "read_visit", "reading_of", "visit_plan_of"]


def read_visit(
    path: str | Path, extra: Iterable[Instrument] = ()
) -> tuple[VisitPlan, VisitDocument]:
    """Read a visit from a document; its results are passed over and computed anew.

    Parameters
    ----------
    path : path
    extra : iterable of Instrument
        The user's own instruments.

    Raises
    ------
    UnreadableFile
        If the document cannot be read, or an entry is not what it should be.
    """
    document = read_document(path, VisitDocument)
    canals = {
        record.name: canal_from_record(record, f"{path}: canals[{at}]", document.invented)
        for at, record in enumerate(document.canals)
    }
    try:
        return visit_plan_of(document.entries, canals, extra), document
    except UsageError as error:
        raise UnreadableFile(path=str(path), problem=error.sentence().rstrip(".")) from None


def visit_plan_of(
    entries: VisitEntries, canals: Mapping[str, Canal], extra: Iterable[Instrument] = ()
) -> VisitPlan:
    """Return the visit that entries describe.

    Parameters
    ----------
    entries : VisitEntries
    canals : mapping of str to Canal
    extra : iterable of Instrument
        The user's own instruments.

    Raises
    ------
    UsageError
        If a canal, instrument, term, factor or policy is not known.
    BadInput
        If a number or its unit is impossible.
    """
    own = tuple(extra)
    notes = {key: entry.note for key, entry in entries.checklist.items()}
    done = tuple(key for key, entry in entries.checklist.items() if entry.done)
    return VisitPlan(
        canals=tuple(_canal_visit(entry, canals, own) for entry in entries.canals),
        tooth=parse_tooth(entries.tooth) if entries.tooth else None,
        title=entries.title,
        diagnosis=Diagnosis(
            entries.diagnosis.pulpal, entries.diagnosis.apical, entries.diagnosis.vocabulary
        ),
        factors=tuple(rated_factor(key, value) for key, value in entries.factors.items()),
        checklist=checklist(notes, done),
        irrigation=_irrigation(entries.irrigation),
        plugger_mm=tuple(entries.plugger_mm),
        technique=entries.technique,
        notes=entries.notes,
    )


def rated_factor(key: str, value: str | float) -> RatedFactor:
    """Return a difficulty factor from a class or a number.

    Raises
    ------
    UsageError
        If the factor is not known, or takes no number.
    MalformedText
        If the text is neither a class nor a number.
    """
    if not isinstance(value, str):
        return rated_value(key, value)
    word = value.strip().upper()
    if word in Difficulty.__members__:
        return RatedFactor(factor_of(key), Difficulty[word], "rated by the operator")
    try:
        number = float(value)
    except ValueError:
        raise MalformedText(
            name=f"difficulty factor {key}", got=value, expected="low, moderate, high or a number"
        ) from None
    return rated_value(key, number)


def reading_of(entry: ReadingEntry) -> LengthReading:
    """Return a length from an entry, by the proportional rule where it states a proportion.

    Raises
    ------
    MalformedText
        If neither a length nor a whole proportion is given, or both.
    """
    parts = (entry.true_instrument_mm, entry.apparent_instrument_mm, entry.apparent_tooth_mm)
    given = [part for part in parts if part is not None]
    if len(given) not in (0, 3) or (len(given) == 3) == (entry.length_mm is not None):
        raise MalformedText(
            name=f"{entry.method} reading",
            got=str(entry.length_mm),
            expected="either length_mm, or the true and apparent instrument and the apparent tooth",
        )
    length, note = entry.length_mm, entry.note
    if length is None:
        true, apparent, tooth = given
        length = proportional_length_mm(true, apparent, tooth)
        note = f"{true:g} × {tooth:g} / {apparent:g} mm {entry.note}".strip()
    return LengthReading(Method(entry.method), length, _landmark(entry), entry.sd_mm, note)


def _landmark(entry: ReadingEntry) -> Landmark:
    if entry.landmark is not None:
        return Landmark[entry.landmark.upper()]
    usual = {"radiograph": Landmark.APEX, "tactile": Landmark.CONSTRICTION}
    return usual.get(entry.method, Landmark.FORAMEN)


def _canal_visit(
    entry: CanalEntry, canals: Mapping[str, Canal], own: tuple[Instrument, ...]
) -> CanalVisit:
    if entry.canal not in canals:
        raise UnknownName(kind="canal in the document", got=entry.canal, known=tuple(canals))
    if entry.policy not in POLICIES:
        raise UnknownName(kind="terminus policy", got=entry.policy, known=tuple(POLICIES))
    patency = entry.patency
    return CanalVisit(
        canal=canals[entry.canal],
        steps=tuple(_step(step, own) for step in entry.steps),
        target_size=entry.target_size,
        target_taper_mm_per_mm=entry.target_taper_mm_per_mm,
        reference=entry.reference,
        crown_mm=entry.crown_mm,
        readings=tuple(reading_of(reading) for reading in entry.readings),
        policy=POLICIES[entry.policy],
        older=entry.older,
        confirmed_mm=entry.confirmed_mm,
        tooth_length_mm=entry.tooth_length_mm,
        patency=None
        if patency is None
        else patency_pass(
            find_instrument(patency.instrument, own), patency.past_mm, patency.loose_mm
        ),
        patency_skipped=entry.patency_skipped,
        torque_limit_ncm=_torque(entry.torque_limit, "torque limit"),
        cone=_cone(entry.cone),
    )


def _step(entry: StepEntry, own: tuple[Instrument, ...]) -> StepWish:
    instrument = find_instrument(entry.instrument, own)
    if entry.rated_speed is None and entry.rated_torque is None and entry.motion is None:
        return StepWish(instrument, entry.short_mm)
    speed = entry.rated_speed
    rating = MakerRating(
        None
        if speed is None
        else parse_speed_rpm(str(speed), name=f"rated speed of {entry.instrument}"),
        _torque(entry.rated_torque, f"rated torque of {entry.instrument}"),
        None if entry.motion is None else Motion(entry.motion),
    )
    return StepWish(instrument, entry.short_mm, rating)


def _torque(value: str | float | None, name: str) -> float | None:
    return None if value is None else parse_torque_ncm(str(value), name=name)


def _cone(entry: ConeEntry | None) -> Cone | None:
    return None if entry is None else Cone(entry.size, entry.taper_mm_per_mm, entry.gauged_mm)


def _irrigation(entry: IrrigationEntry) -> IrrigationPlan:
    rinses = (
        default_rinses()
        if entry.rinses is None
        else tuple(
            Rinse(
                r.when, r.irrigant, r.strength, r.volume_ml, r.contact_s, _grade(r.evidence), r.note
            )
            for r in entry.rinses
        )
    )
    return IrrigationPlan(
        entry.gauge, Vent(entry.vent), entry.short_mm, entry.flow_ml_per_min, rinses
    )


def _grade(text: str) -> Evidence:
    try:
        return Evidence(text)
    except ValueError:
        known = tuple(str(grade) for grade in Evidence)
        raise UnknownName(kind="grade of evidence", got=text, known=known) from None
