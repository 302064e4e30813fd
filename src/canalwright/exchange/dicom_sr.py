"""Measurements of canals as a DICOM Structured Report of template TID 1500."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright import __version__
from canalwright.anatomy.canal import Canal
from canalwright.anatomy.curvature import summarize_curvature
from canalwright.errors import UsageError
from canalwright.exchange.dicom_codes import (
    private_code,
    require_known_codes,
    scheme_identification,
    standard_code,
    tooth_code,
)
from canalwright.exchange.dicom_seg import new_uid, segmentation_library
from canalwright.exchange.dicom_source import SourceSeries
from canalwright.shaping.axis import CanalAxis
from canalwright.shaping.tube import canal_tube

if TYPE_CHECKING:
    from pydicom.dataset import Dataset
    from pydicom.sr.coding import Code

__all__ = ["REPORTED_LEVELS_MM", "dicom_report", "measured_values"]

REPORTED_LEVELS_MM: Final = (0, 1, 2, 3, 5, 8, 11)
"""Levels at which diameters are reported, as far as the canal goes."""

_MM: Final = ("mm", "UCUM", "mm")
_DEGREE: Final = ("deg", "UCUM", "degree")
_UNITS: Final = {
    "VOLUME": ("mm3", "UCUM", "cubic millimeter"),
    "SCHNEIDER": _DEGREE,
    "PRUETT-ANGLE": _DEGREE,
    "MAX-CURVATURE": ("/mm", "UCUM", "per millimeter"),
}
_STANDARD: Final = {"LENGTH": "Length", "VOLUME": "Volume"}


def dicom_report(
    canals: Sequence[Canal],
    source: SourceSeries,
    *,
    tooth: int | None = None,
    segmentation: Dataset | None = None,
) -> Dataset:
    """Return measurements as a Comprehensive 3D SR, preliminary and not verified by a person.

    Length, volume, curvature, thinnest dentin, and diameters with their standard deviations at
    `REPORTED_LEVELS_MM`. Names and units are codes of the standard where it has them, else ours.

    Parameters
    ----------
    canals : sequence of Canal
    source : SourceSeries
        Scan the canals were measured in.
    tooth : int, optional
        ISO 3950 number.
    segmentation : Dataset, optional
        From `dicom_segmentation`, of the same canals in the same order; the report then refers to
        its segments.

    Raises
    ------
    MissingExtra
        If highdicom is not installed.
    UsageError
        If there is no canal, or the segmentation is of other canals.
    """
    library = segmentation_library()
    if not canals:
        raise UsageError("A report needs at least one canal.")
    _require_same(canals, segmentation)
    groups = [
        _group(library, canal, number + 1, source, tooth, segmentation)
        for number, canal in enumerate(canals)
    ]
    content = library.sr.MeasurementReport(
        observation_context=_context(library, canals, source),
        procedure_reported=standard_code("DentalRadiography"),
        imaging_measurements=groups,
        title=standard_code("ImagingMeasurementReport", "DCM"),
    )
    evidence = [*source.slices, *([segmentation] if segmentation is not None else [])]
    made: Dataset = library.sr.Comprehensive3DSR(
        evidence=evidence,
        content=content[0],
        series_instance_uid=new_uid("sr-series", canals, source),
        series_number=101,
        sop_instance_uid=new_uid("sr", canals, source),
        instance_number=1,
        manufacturer="Canalwright",
        is_complete=False,
        is_final=False,
        is_verified=False,
        series_description="INVENTED DATA: root canals" if source.invented else "Root canals",
    )
    made.CodingSchemeIdentificationSequence = [scheme_identification()]
    require_known_codes(made)
    return made


def measured_values(
    canal: Canal, levels_mm: Sequence[int]
) -> list[tuple[str, float, float | None]]:
    """Return (our code, value, standard deviation or None) of everything reported of a canal.

    Lengths in mm, volume in mm³, angles in degrees, curvature per mm. What is not known, and levels
    that the canal does not reach, are left out.
    """
    curvature = summarize_curvature(canal)
    values: list[tuple[str, float | None, float | None]] = [
        ("LENGTH", canal.length_mm, None),
        ("VOLUME", canal_tube(CanalAxis.of(canal), canal.radius_mm).volume_mm3, None),
        ("SCHNEIDER", curvature.schneider_deg, None),
        ("PRUETT-ANGLE", curvature.pruett_deg, None),
        ("PRUETT-RADIUS", curvature.pruett_radius_mm, None),
        ("MAX-CURVATURE", curvature.max_per_mm, None),
        _dentin(canal),
        *(_diameter(canal, level) for level in levels_mm if level <= canal.length_mm),
    ]
    return [
        (code, float(value), sd if sd is not None and np.isfinite(sd) else None)
        for code, value, sd in values
        if value is not None and np.isfinite(value)
    ]


def _dentin(canal: Canal) -> tuple[str, float | None, float | None]:
    if np.all(np.isnan(canal.dentin_min_mm)):
        return "DENTIN-MIN", None, None
    at = int(np.nanargmin(canal.dentin_min_mm))
    return "DENTIN-MIN", float(canal.dentin_min_mm[at]), float(canal.dentin_sd_mm[at])


def _diameter(canal: Canal, level_mm: int) -> tuple[str, float | None, float | None]:
    value, sd = (
        float(np.interp(level_mm, canal.level_mm, values))
        for values in (canal.diameter_mm, canal.diameter_sd_mm)
    )
    return f"DIAMETER-{level_mm}", value, sd


def _require_same(canals: Sequence[Canal], segmentation: Dataset | None) -> None:
    if segmentation is None:
        return
    labels = [str(one.SegmentLabel) for one in segmentation.SegmentSequence]
    if labels[: len(canals)] != [canal.name[:64] for canal in canals]:
        raise UsageError(f"The segmentation is of {', '.join(labels)}, not of these canals.")


def _context(library: Any, canals: Sequence[Canal], source: SourceSeries) -> Any:
    device = library.sr.DeviceObserverIdentifyingAttributes(
        uid=new_uid("device", canals, source),
        manufacturer_name="Canalwright",
        model_name=f"Canalwright {__version__}",
    )
    context = library.sr.ObserverContext(
        observer_type=standard_code("Device", "DCM"), observer_identifying_attributes=device
    )
    return library.sr.ObservationContext(observer_device_context=context)


def _group(
    library: Any,
    canal: Canal,
    number: int,
    source: SourceSeries,
    tooth: int | None,
    segmentation: Dataset | None,
) -> Any:
    sr = library.sr
    shared = {
        "tracking_identifier": sr.TrackingIdentifier(
            uid=new_uid(f"track-{number}", [canal], source), identifier=canal.name
        ),
        "finding_type": private_code("CANAL"),
        "finding_sites": [sr.FindingSite(anatomic_location=tooth_code(tooth))],
        "method": private_code("TRACED"),
        "measurements": _measurements(library, canal),
    }
    if segmentation is None:
        return sr.MeasurementsAndQualitativeEvaluations(**shared)
    segment = sr.ReferencedSegment.from_segmentation(segmentation, segment_number=number)
    return sr.VolumetricROIMeasurementsAndQualitativeEvaluations(
        referenced_segment=segment, **shared
    )


def _measurements(library: Any, canal: Canal) -> list[Any]:
    made = []
    for code, value, sd in measured_values(canal, REPORTED_LEVELS_MM):
        name, unit = _named(code)
        shown: list[tuple[float, Code | None]] = [(value, None)]
        if sd is not None:
            shown.append((sd, standard_code("StandardDeviation")))
        made += [
            library.sr.Measurement(
                name=name,
                value=round(number, 4),
                unit=unit,
                derivation=derivation,
                method=private_code("ESTIMATED"),
            )
            for number, derivation in shown
        ]
    return made


def _named(code: str) -> tuple[Code, Code]:
    """Return name and unit of a measurement; standard names where there are any."""
    from pydicom.sr.coding import Code

    unit = Code(*_UNITS.get(code, _MM))
    if code in _STANDARD:
        return standard_code(_STANDARD[code]), unit
    return private_code(code), unit
