"""Damage of a logged use, from the canal's document in the case."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from canalwright.errors import UnknownName

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.instruments.instrument import Instrument
    from canalwright.mechanics.parameters import LoadParameters
    from canalwright.records import Reading

__all__ = ["damage_in_case"]


def damage_in_case(
    reading: Reading,
    case_id: str,
    instrument: str,
    values: Mapping[str, Any],
    parameters: LoadParameters,
    *,
    own: Iterable[Instrument] = (),
) -> list[list[float]]:
    """Return the estimated damage of a use in a canal of a case; empty where it cannot be told.

    Parameters
    ----------
    reading : Reading
    case_id : str
    instrument : str
        Id of its kind.
    values : mapping
        Fields of the event: canal, levels in mm, time in s and speed in rpm.
    parameters : LoadParameters
        With a fatigue test; without one nothing can be told.
    own : iterable of Instrument
        Instruments beside the standard and generic ones.

    Returns
    -------
    list of [station_mm, share]
        Share of the mean fatigue life used per station; see
        `canalwright.records.wear.damage_of_use`.
    """
    from canalwright.instruments.standard import find_instrument
    from canalwright.records.wear import damage_of_use

    needed = [values.get(key) for key in ("to_level_mm", "time_s", "speed_rpm", "canal")]
    if any(value is None for value in needed):
        return []
    canal = _canal(reading, case_id, str(values["canal"]))
    try:
        known = find_instrument(instrument, tuple(own))
    except UnknownName:  # its shape is not in the records
        return []
    if canal is None:
        return []
    return damage_of_use(
        canal,
        known,
        parameters,
        to_level_mm=values["to_level_mm"],
        from_level_mm=values.get("from_level_mm"),
        time_s=values["time_s"],
        speed_rpm=values["speed_rpm"],
    )


def _canal(reading: Reading, case_id: str, name: str) -> Canal | None:
    """Return the canal of that name in the last canals document of the case, if there is one."""
    from canalwright.exchange.canals import CanalsDocument
    from canalwright.exchange.canals_in import canals_from_document
    from canalwright.records.documents import document_content
    from canalwright.records.nouns import Document

    for one in reversed(reading.find(Document, case_id=case_id, document_kind="canals")):
        document = CanalsDocument.model_validate(document_content(reading, one))
        for canal in canals_from_document(document, one.name):
            if canal.name == name:
                return canal
    return None
