"""The document ``canalwright/calibration@1``: load parameters from a motor's torque log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

from canalwright.cautions import CLINICAL_CAUTIONS, merged
from canalwright.errors import UnreadableFile
from canalwright.evidence import Evidence, Graded
from canalwright.exchange.document import (
    Document,
    Finite,
    NotNegative,
    caution_records,
    header,
    read_document,
)
from canalwright.exchange.graded import GradedRecord, graded_record
from canalwright.exchange.numbers import number_list, optional_list
from canalwright.mechanics.calibration import IMPOSSIBLE_CODE, Calibration, KnownPass
from canalwright.mechanics.parameters import DEFAULT_LOAD_PARAMETERS, LoadParameters
from canalwright.mechanics.torque_log import TorqueLog

__all__ = ["CalibrationDocument", "calibration_document", "read_load_parameters"]


class CalibrationDocument(Document):
    """The document ``canalwright/calibration@1``; arrays run over ``time_s``."""

    kind: ClassVar[str] = "canalwright/calibration@1"

    specific_cutting_energy_j_per_mm3: GradedRecord
    friction_coefficient: GradedRecord
    offset_ncm: Finite
    drift_ncm_per_s: Finite
    residual_ncm: NotNegative
    time_s: list[Finite]
    speed_rpm: list[NotNegative]
    torque_ncm: list[Finite]
    fitted_ncm: list[Finite | None]
    removal_mm3_per_s: list[NotNegative]
    rubbing_nmm: list[NotNegative]


def calibration_document(
    found: Calibration,
    log: TorqueLog,
    known: KnownPass,
    *,
    inputs: Mapping[str, Any],
    invented: bool = False,
) -> CalibrationDocument:
    """Return a calibration with the log it rests on as a document."""
    energy = graded_record(found.specific_cutting_energy_j_per_mm3)
    friction = graded_record(found.friction_coefficient)
    return CalibrationDocument.model_validate(
        {
            **header(CalibrationDocument),
            "invented": invented,
            "inputs": dict(inputs),
            "specific_cutting_energy_j_per_mm3": energy,
            "friction_coefficient": friction,
            "offset_ncm": round(found.offset_ncm, 5),
            "drift_ncm_per_s": round(found.drift_ncm_per_s, 6),
            "residual_ncm": round(found.residual_ncm, 5),
            "time_s": number_list(log.time_s),
            "speed_rpm": number_list(log.speed_rpm, 1),
            "torque_ncm": number_list(log.torque_ncm, 5),
            "fitted_ncm": optional_list(found.fitted_ncm, 5),
            "removal_mm3_per_s": number_list(known.removal_mm3_per_s, 6),
            "rubbing_nmm": number_list(known.rubbing_nmm, 5),
            "cautions": caution_records(merged(found.cautions, CLINICAL_CAUTIONS)),
        }
    )


def read_load_parameters(
    path: Path, parameters: LoadParameters = DEFAULT_LOAD_PARAMETERS
) -> LoadParameters:
    """Return parameters with cutting energy and friction from a calibration.

    Parameters
    ----------
    path : path
        A ``calibration@1`` document.
    parameters : LoadParameters
        What else the models need.

    Raises
    ------
    UnreadableFile
        If the file is no such document, or says itself that it must not be used.
    """
    document = read_document(path, CalibrationDocument)
    if any(caution.code == IMPOSSIBLE_CODE for caution in document.cautions):
        raise UnreadableFile(
            path=str(path),
            problem="a fitted value is below 0: its log and pass did not belong together",
        )
    return replace(
        parameters,
        specific_cutting_energy_j_per_mm3=_graded(document.specific_cutting_energy_j_per_mm3, path),
        friction_coefficient=_graded(document.friction_coefficient, path),
    )


def _graded(record: GradedRecord, path: Path) -> Graded:
    if record.value < 0.0:
        raise UnreadableFile(path=str(path), problem=f"a value is {record.value:g}, below 0")
    try:
        evidence = Evidence(record.evidence)
    except ValueError:
        raise UnreadableFile(
            path=str(path), problem=f"the evidence {record.evidence!r} is not known"
        ) from None
    return Graded(
        record.value, record.unit, evidence, source=record.source, sd=record.sd, note=record.note
    )
