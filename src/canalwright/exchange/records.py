"""Answers about kept records as documents, such as ``canalwright/cases@1``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, is_dataclass
from typing import Any

from canalwright import __version__
from canalwright.cautions import Caution
from canalwright.exchange.document import caution_records
from canalwright.exchange.layout import json_text

__all__ = ["plain", "records_text"]


def records_text(
    kind: str,
    content: Mapping[str, Any],
    *,
    cautions: Iterable[Caution] = (),
    invented: bool = False,
    inputs: Mapping[str, Any] | None = None,
) -> str:
    """Return an answer as the text of a document.

    Parameters
    ----------
    kind : str
        The middle of the schema: ``cases`` makes ``canalwright/cases@1``.
    content : mapping
        Nouns of the records, numbers, lists and mappings.
    cautions : iterable of Caution
    invented : bool
    inputs : mapping, optional
    """
    head = {
        "schema": f"canalwright/{kind}@1",
        "version": __version__,
        "invented": invented,
        "inputs": dict(inputs or {}),
    }
    listed = [record.model_dump() for record in caution_records(cautions)]
    return json_text({**head, **plain(dict(content)), "cautions": listed})


def plain(value: Any) -> Any:
    """Return a value made of mappings, lists and scalars; numbers that are none become null."""
    if is_dataclass(value) and not isinstance(value, type):
        return plain(asdict(value))
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, set | frozenset):
        return sorted(plain(item) for item in value)
    if isinstance(value, float):
        return value if abs(value) < float("inf") else None
    return value
