"""One row of a cohort: read, measured and compared, as the single commands do it."""

from __future__ import annotations

import hashlib
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canalwright.cohort.keeping import key_of
from canalwright.cohort.measures import canal_measures, evaluation_measures
from canalwright.cohort.table import CohortRow
from canalwright.errors import UsageError

if TYPE_CHECKING:
    from canalwright.anatomy.canal import Canal
    from canalwright.imaging.scan import Scan

__all__ = ["RowTask", "run_row"]

_BLOCK = 1 << 22


@dataclass(frozen=True, slots=True)
class RowTask:
    """A row to be done, with the key of the result that is kept of it, if any."""

    row: CohortRow
    seed: int
    known_key: str = ""


def run_row(task: RowTask) -> dict[str, Any]:
    """Return what is found for a row; ``{"key": …, "same": True}`` if that is known already.

    Parameters
    ----------
    task : RowTask

    Returns
    -------
    dict
        ``key``, ``measures``, ``document`` (evaluation@1 or canals@1 as plain data), ``cautions``
        and ``invented``.
    """
    row = task.row
    digests = {path: _digest(Path(path)) for path in (row.before, row.after) if path}
    entries = asdict(row)
    # What a row is called or grouped by does not change what is found for it.
    for name in ("id", "group", "pair", "covariates", "before", "after"):
        del entries[name]
    key = key_of(entries, list(digests.values()), task.seed)
    if key == task.known_key:
        return {"key": key, "same": True}
    documents = [_is_document(path) for path in (row.before, row.after) if path]
    if len(set(documents)) > 1:
        raise UsageError("Give two scans or two canal documents (.json), not one of each.")
    work = _from_documents if documents[0] else _from_scans
    return {"key": key, "digests": digests, **work(task)}


def _is_document(path: str) -> bool:
    return Path(path).suffix.lower() == ".json"


def _digest(path: Path) -> str:
    """Return the SHA-256 of a file, or of all files in a folder with their names."""
    total = hashlib.sha256()
    files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    for one in files:
        if path.is_dir():
            total.update(f"{one.relative_to(path).as_posix()}\0".encode())
        try:
            with one.open("rb") as handle:
                while block := handle.read(_BLOCK):
                    total.update(block)
        except OSError:
            # The reader that comes next says what is wrong with it.
            total.update(b"unreadable")
    return total.hexdigest()


def _options(task: RowTask) -> dict[str, Any]:
    row = task.row
    return {
        "tolerance_mm": row.tolerance_mm,
        "intended_level_mm": row.intended_level_mm or 0.0,
        "seed": task.seed,
    }


def _from_documents(task: RowTask) -> dict[str, Any]:
    row = task.row
    first, inputs = _document_canal(row.before, row.canal)
    if not row.after:
        return _measured(first, {"before": inputs})
    from canalwright.shaping.evaluation import evaluate_pair
    from canalwright.shaping.evaluation_scans import aligned_by_surfaces

    second, more = _document_canal(row.after, row.canal or first.name)
    alignment = aligned_by_surfaces(first, second) if row.align else None
    scan = inputs["inputs"].get("scan")
    oriented = isinstance(scan, dict) and scan.get("oriented") is True
    found = evaluate_pair(first, second, alignment=alignment, oriented=oriented, **_options(task))
    return _evaluated(found, {"before": inputs, "after": more, "options": _options(task)})


def _document_canal(path: str, name: str) -> tuple[Canal, Any]:
    from canalwright.exchange.canals_in import read_canals
    from canalwright.exchange.inputs import document_input

    canals, document = read_canals(path)
    named = {canal.name: canal for canal in canals}
    wanted = name or (next(iter(named)) if len(named) == 1 else "")
    if wanted not in named:
        raise UsageError(
            f"{path}: there is no canal {wanted!r}; known: {', '.join(named)}."
            if wanted
            else f"{path}: it holds several canals ({', '.join(named)}); name one under 'canal'."
        )
    return named[wanted], document_input(Path(path), document)


def _from_scans(task: RowTask) -> dict[str, Any]:
    row = task.row
    name, orifice, terminus = _points(row.canal)
    first = _scan(row.before, row.spacing)
    points = {name: {"orifice_mm": [*orifice], "terminus_mm": [*terminus]}}
    from canalwright.exchange.inputs import scan_input

    if not row.after:
        from canalwright.imaging.measure import measure_canal

        return _measured(
            measure_canal(first, name, orifice, terminus),
            {"scan": scan_input(first), "points": points},
        )
    from canalwright.shaping.evaluation_scans import evaluate_scans

    second = _scan(row.after, row.spacing)
    found = evaluate_scans(first, second, name, orifice, terminus, **_options(task))
    inputs = {
        "before": scan_input(first),
        "after": scan_input(second),
        "points": points,
        "options": _options(task),
    }
    return _evaluated(found, inputs)


def _points(text: str) -> tuple[str, tuple[float, ...], tuple[float, ...]]:
    name, _, ends = text.partition("=")
    halves = ends.split(":")
    try:
        orifice, terminus = (tuple(float(part) for part in half.split(",")) for half in halves)
    except ValueError:
        orifice, terminus = (), ()
    if not name.strip() or len(orifice) != 3 or len(terminus) != 3:
        raise UsageError(
            f"The entry under 'canal' is {text!r}; a scan needs NAME=x,y,z:x,y,z (orifice, then "
            "terminus, in mm)."
        )
    if not all(math.isfinite(value) for value in (*orifice, *terminus)):
        raise UsageError(f"The entry under 'canal' is {text!r}; its numbers must be finite.")
    return name.strip(), orifice, terminus


def _scan(path: str, spacing: str) -> Scan:
    from canalwright.imaging.readers import read_scan

    steps = tuple(float(part) for part in spacing.split(",")) if spacing else None
    if steps is not None and len(steps) != 3:
        raise UsageError(f"The entry under 'spacing' is {spacing!r}; give z,y,x in mm.")
    return read_scan(path, spacing_mm=steps)


def _measured(canal: Canal, inputs: dict[str, Any]) -> dict[str, Any]:
    from canalwright.exchange.canals_out import canals_document

    document = canals_document((canal,), inputs)
    return _result(canal_measures(canal), document, canal.provenance.invented)


def _evaluated(found: Any, inputs: dict[str, Any]) -> dict[str, Any]:
    from canalwright.exchange.evaluations import evaluation_document

    pair = found.pair
    invented = pair.before.provenance.invented or pair.after.provenance.invented
    document = evaluation_document(found, inputs)
    return _result(evaluation_measures(found), document, invented)


def _result(measures: dict[str, float], document: Any, invented: bool) -> dict[str, Any]:
    plain = document.model_dump(mode="json", by_alias=True)
    return {
        "measures": {k: v if math.isfinite(v) else None for k, v in measures.items()},
        "document": plain,
        "cautions": plain["cautions"],
        "invented": invented,
    }
