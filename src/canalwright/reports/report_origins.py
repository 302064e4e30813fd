"""The parts of the report that say what to beware of and where everything comes from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from typing import Final

from canalwright import __version__
from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.planning.types import Limits
from canalwright.references import all_references
from canalwright.reports.report_inputs import ReportInputs, step_cautions
from canalwright.reports.track_scene import DENTIN_CAUTIONS

__all__ = ["caution_rows", "origin_rows", "source_rows"]

_CURVATURE_SOURCES: Final[dict[str, str]] = {
    "schneider": "schneider1971",
    "pruett": "pruett1997",
    "weine": "weine1982",
}


def caution_rows(inputs: ReportInputs) -> list[dict[str, str]]:
    """Return the cautions of canal and plan, each with its source and the steps it is about."""
    known = all_references()
    return [
        {
            "text": one.text,
            "source": one.source if one.source in known else "",
            "steps": _steps_of(one, inputs),
        }
        for one in _all_cautions(inputs)
    ]


def _all_cautions(inputs: ReportInputs) -> tuple[Caution, ...]:
    """Return every caution of this canal and plan once; the general ones stand below them."""
    carried = merged(
        inputs.plan.cautions,
        inputs.result.cautions,
        inputs.canal.cautions,
        *(step_cautions(planned) for planned in inputs.plan.steps),
        inputs.cautions,
    )
    return tuple(one for one in carried if one not in CLINICAL_CAUTIONS)


def _steps_of(caution: Caution, inputs: ReportInputs) -> str:
    steps = inputs.plan.steps
    numbers = [k for k, s in enumerate(steps, 1) if caution in step_cautions(s)]
    if not numbers or len(numbers) == len(steps):
        return ""
    return ("step " if len(numbers) == 1 else "steps ") + ", ".join(map(str, numbers))


def source_rows(inputs: ReportInputs) -> list[list[str]]:
    """Return every cited source with how it was seen."""
    known = all_references()
    cited = [key for key in dict.fromkeys(_cited(inputs)) if key in known]
    entries = [known[key] for key in sorted(cited)]
    return [[one.key, one.text.replace("--", "–"), one.status] for one in entries]


def _cited(inputs: ReportInputs) -> Iterable[str]:
    yield from (caution.source for caution in _all_cautions(inputs))
    yield from (getattr(inputs.result.limits, f.name).source for f in fields(Limits))
    yield from (graded.source for graded, _ in DENTIN_CAUTIONS)
    for method in (name for name, value in inputs.curvature.items() if value is not None):
        yield from (key for name, key in _CURVATURE_SOURCES.items() if name in method)
    for planned in inputs.plan.steps:
        for graded in (planned.speed_rpm, planned.torque_limit_ncm):
            if graded is not None:
                yield graded.source
        yield from (origin.source for origin in planned.instrument.origins)


def origin_rows(inputs: ReportInputs) -> list[list[str]]:
    """Return program, scan and digests behind the report."""
    provenance = inputs.canal.provenance
    rows = [["program", f"Canalwright {__version__}"], ["date", inputs.date.isoformat()]]
    if provenance.source:
        rows.append(["canal measured from", file_name(provenance.source)])
    if provenance.spacing_mm is not None:
        sizes = " × ".join(f"{size:g}" for size in provenance.spacing_mm)
        rows.append(["voxel size (z, y, x)", f"{sizes} mm, from {provenance.spacing_origin}"])
    if provenance.methods:
        rows.append(["methods", ", ".join(provenance.methods)])
    digests = {digest: name for name, digest in inputs.inputs.items()}
    if provenance.digest and provenance.digest not in digests:
        rows.append(["SHA-256 of the image", provenance.digest])
    return rows + [[f"SHA-256 of {name}", digest] for digest, name in digests.items()]


def file_name(source: str) -> str:
    """Return the name of a file without the folders it lay in."""
    return source.replace("\\", "/").rstrip("/").rpartition("/")[2] or source
