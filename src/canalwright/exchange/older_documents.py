"""Documents of earlier or later versions of the program, brought to the layout of this one."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from types import NoneType
from typing import Any, Final, get_args, get_origin

from pydantic import BaseModel, ValidationError

from canalwright import __version__
from canalwright.cautions import Caution, merged
from canalwright.errors import UnreadableFile
from canalwright.exchange.canals import CanalsDocument
from canalwright.exchange.canals_in import read_canals
from canalwright.exchange.canals_out import canals_document
from canalwright.exchange.document import Document, caution_records
from canalwright.exchange.inputs import document_input
from canalwright.exchange.plans import PlanDocument

__all__ = ["renewed_canals", "renewed_document", "renewed_plan"]


def renewed_document(path: Path) -> Document:
    """Return a ``canals@1`` or ``plan@1`` document of any version in the layout of this one.

    Raises
    ------
    UnreadableFile
        If it is another kind of document, or lacks what cannot be filled in.
    """
    schema = _parsed(path).get("schema")
    if schema == CanalsDocument.kind:
        return renewed_canals(path)
    if schema == PlanDocument.kind:
        return renewed_plan(path)
    known = f"{CanalsDocument.kind!r} or {PlanDocument.kind!r}"
    raise UnreadableFile(path=str(path), problem=f"its schema is {schema!r}, and {known} is needed")


def renewed_canals(path: Path) -> CanalsDocument:
    """Return canals with all that this version computes of them: curvature, widths, joins."""
    canals, document = read_canals(path)
    kept = [Caution(one.code, one.text, one.source) for one in document.cautions]
    made = canals_document(canals, {"renewed": document_input(path, document)}, kept)
    return made.model_copy(update={"invented": made.invented or document.invented})


def renewed_plan(path: Path) -> PlanDocument:
    """Return a plan; what an earlier version did not write is null or empty, and said to be.

    Nothing is computed anew: a plan is what was found then.
    """
    data, filled = _parsed(path), _Filled()
    complete = filled.object(data, PlanDocument, "")
    try:
        made = PlanDocument.model_validate(complete)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise UnreadableFile(
            path=str(path),
            problem=f"{place}: {first['msg']}",
            hint="Plan again from its canals to have a plan of this version.",
        ) from None
    own = [Caution(one.code, one.text, one.source) for one in made.cautions]
    cautions = caution_records(merged(own, _caution(made.version, filled.places)))
    return made.model_copy(update={"version": __version__, "cautions": cautions})


def _caution(version: str, places: Iterable[str]) -> tuple[Caution, ...]:
    named = sorted(set(places))
    if not named:
        return ()
    return (
        Caution(
            "OLDER_DOCUMENT",
            f"This document was written by version {version or 'unknown'}, which did not state: "
            f"{', '.join(named)}. These are empty here.",
            "project rule",
        ),
    )


def _parsed(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, ValueError, RecursionError) as error:
        raise UnreadableFile(path=str(path), problem=f"no JSON document ({error})") from None
    if not isinstance(data, dict):
        raise UnreadableFile(path=str(path), problem="no JSON document of this program")
    return data


_EMPTY: Final[dict[Any, Any]] = {list: [], dict: {}, str: ""}


class _Filled:
    """Fills keys that a document lacks, and remembers which."""

    def __init__(self) -> None:
        self.places: list[str] = []

    def object(self, data: Any, model: type[BaseModel], place: str) -> Any:
        """Return an object with every key of its model that may be empty."""
        if not isinstance(data, dict):
            return data
        made = dict(data)
        for name, info in model.model_fields.items():
            key = info.alias or name
            where = f"{place}.{key}".lstrip(".")
            if key in made:
                made[key] = self._value(made[key], info.annotation, where)
            elif info.is_required():
                self._fill(made, key, info.annotation, where)
        return made

    def _value(self, value: Any, annotation: Any, place: str) -> Any:
        model = _model(annotation)
        if model is None:
            return value
        if isinstance(value, list):
            return [self.object(item, model, place) for item in value]
        if get_origin(annotation) is dict and isinstance(value, dict):
            return {key: self.object(item, model, place) for key, item in value.items()}
        return self.object(value, model, place)

    def _fill(self, made: dict[str, Any], key: str, annotation: Any, place: str) -> None:
        if key == "step_max_percent" and made.get("step_percent"):
            made[key] = max(made["step_percent"])
            return
        if key == "found" and isinstance(made.get("plans"), list):
            made[key] = len(made["plans"])
            return
        kinds = {get_origin(annotation) or annotation, *get_args(annotation)}
        if NoneType in kinds:
            made[key] = None
        elif kinds & _EMPTY.keys():
            made[key] = next(empty for kind, empty in _EMPTY.items() if kind in kinds)
        else:
            return
        self.places.append(place)


def _model(annotation: Any) -> type[BaseModel] | None:
    """Return the model inside an annotation such as ``list[X]`` or ``X | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_model(part) for part in get_args(annotation))
    return next((model for model in found if model is not None), None)
