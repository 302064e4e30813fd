"""What every document has: schema, version, inputs and cautions; and how one is read."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, ClassVar, TypeVar

from pydantic import BaseModel, ConfigDict, Field, JsonValue, ValidationError

from canalwright import __version__
from canalwright.cautions import Caution
from canalwright.errors import UnreadableFile
from canalwright.exchange.layout import json_text

__all__ = [
    "CautionRecord",
    "Document",
    "Finite",
    "NotNegative",
    "Positive",
    "Record",
    "caution_records",
    "document_from_bytes",
    "document_text",
    "read_document",
]

Finite = Annotated[float, Field(allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]

_LARGEST_FILE_BYTES = 200_000_000


class Record(BaseModel):
    """A part of a document: types are strict, keys nobody knows are passed over."""

    model_config = ConfigDict(strict=True, extra="ignore", frozen=True, populate_by_name=True)


class CautionRecord(Record):
    """A caution as it travels in JSON."""

    code: str
    text: str
    source: str = ""


class Document(Record):
    """The frame of every document.

    Attributes
    ----------
    schema_ : str
        Kind and major version, ``canalwright/canals@1``; written as ``schema``.
    version : str
        Version of the program that wrote it.
    invented : bool
        True if the data behind it were made up (phantoms, teaching).
    inputs : dict
        What the document was computed from: files with digests, options, seed.
    """

    kind: ClassVar[str] = ""

    schema_: str = Field(alias="schema")
    version: str = ""
    invented: bool = False
    inputs: dict[str, JsonValue] = Field(default_factory=dict)
    cautions: list[CautionRecord] = Field(default_factory=list)


D = TypeVar("D", bound=Document)


def header(kind: type[Document]) -> dict[str, Any]:
    """Return schema and version for a new document."""
    return {"schema_": kind.kind, "version": __version__}


def caution_records(cautions: Iterable[Caution]) -> list[CautionRecord]:
    """Return cautions as records, each distinct one once."""
    return [
        CautionRecord(code=c.code, text=c.text, source=c.source) for c in dict.fromkeys(cautions)
    ]


def document_text(document: Document) -> str:
    """Return a document as JSON text, the same text for the same document."""
    return json_text(document.model_dump(mode="json", by_alias=True))


def read_document(path: str | Path, kind: type[D]) -> D:
    """Read and check a document.

    Parameters
    ----------
    path : path
    kind : type
        Which document is expected.

    Raises
    ------
    UnreadableFile
        If the file is missing, is not JSON, is another kind of document or another major
        version, or a value in it is not what it should be; the sentence names its place.
    """
    return document_from_bytes(_content(Path(path)), str(path), kind)


def document_from_bytes(content: bytes, name: str, kind: type[D]) -> D:
    """Check a document that is in memory; `name` is for messages.

    Raises
    ------
    UnreadableFile
        As of `read_document`.
    """
    data = _parsed(content, name)
    _check_schema(name, data, kind.kind)
    try:
        return kind.model_validate(data)
    except ValidationError as error:
        raise UnreadableFile(path=name, problem=_problem(error)) from None


def _content(path: Path) -> bytes:
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise UnreadableFile(path=str(path), problem="larger than any document of this program")
        return path.read_bytes()
    except FileNotFoundError:
        raise UnreadableFile(path=str(path), problem="there is no such file") from None
    except IsADirectoryError:
        raise UnreadableFile(
            path=str(path), problem="this is a folder, a JSON document is needed"
        ) from None
    except OSError as error:
        raise UnreadableFile(path=str(path), problem=f"cannot be read ({error.strerror})") from None


def _parsed(content: bytes, name: str) -> Any:
    try:
        return json.loads(content.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise UnreadableFile(
            path=name,
            problem=f"not UTF-8 text (byte {error.start}); a JSON document is needed",
        ) from None
    except json.JSONDecodeError as error:
        raise UnreadableFile(
            path=name,
            problem=f"not JSON at line {error.lineno}, column {error.colno} ({error.msg})",
        ) from None
    except RecursionError:
        raise UnreadableFile(path=name, problem="nested too deeply") from None


def _check_schema(path: str, data: Any, wanted: str) -> None:
    found = data.get("schema") if isinstance(data, dict) else None
    if found == wanted:
        return
    got = f"its schema is {found!r}" if isinstance(found, str) else "it has no 'schema'"
    raise UnreadableFile(path=path, problem=f"{got}, and {wanted!r} is needed here")


def _problem(error: ValidationError) -> str:
    first = error.errors(include_url=False)[0]
    more = error.error_count() - 1
    also = f" (and {more} more)" if more else ""
    return f"{json_path(first['loc'])} {_complaint(first)}{also}"


def json_path(place: Iterable[int | str]) -> str:
    """Return a place in a document as text: ``canals[0].diameter_mm[3]``."""
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in place)
    return text.removeprefix(".") or "the document"


def _complaint(first: Any) -> str:
    if first["type"] == "missing":
        return "is missing"
    if first["type"] == "value_error":
        return str(first["ctx"]["error"])
    message = re.sub(r"^[A-Z]\w+ should", "should", first["msg"])
    return f"is {_shown(first['input'])}; it {message}"


def _shown(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 40 else f"{text[:37]}…"
