"""Cases, their documents and files."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request, Response, UploadFile
from starlette.responses import FileResponse

from canalwright.errors import BadInput
from canalwright.records.access.roles import Operation
from canalwright.records.access.users import find_user
from canalwright.records.attachments import attach, prepare_files
from canalwright.records.cases import CaseFile, CasePage, add_tooth, amend_case, open_case
from canalwright.records.documents import add_document, document_content
from canalwright.records.errors import Conflict, NotRecorded
from canalwright.records.nouns import (
    Attachment,
    AttachmentKind,
    Case,
    CaseStatus,
    Document,
    Tooth,
)
from canalwright.web.api.models import CaseAmendment, NewCase, Share
from canalwright.web.api.people import Asking

__all__ = ["LARGEST_DOCUMENT_BYTES", "LARGEST_UPLOAD_BYTES", "router"]

router = APIRouter(tags=["cases"])

LARGEST_DOCUMENT_BYTES: Final = 30_000_000
LARGEST_UPLOAD_BYTES: Final = 1_500_000_000
_MOST_FILES: Final = 3_000
_PIECE_BYTES: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class Taken:
    """What was taken in."""

    attachments: list[Attachment]


@router.get("/cases")
def cases(
    asking: Asking,
    search: Annotated[str, Query(max_length=200)] = "",
    status: CaseStatus | None = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 50,
    before: Annotated[int | None, Query(ge=0, le=2**62)] = None,
) -> CasePage:
    """Return a page of the cases the user reaches, the last changed first."""
    return asking.gate.cases(search=search, status=status, limit=limit, before=before)


@router.post("/cases", status_code=201)
def make_case(asked: NewCase, asking: Asking) -> Case:
    """Make a case."""
    return asking.gate.new_case(**asked.model_dump())


@router.get("/cases/{case_id}")
def case(case_id: str, asking: Asking) -> CaseFile:
    """Return everything about a case, documents and files without their content."""
    with asking.gate.reading(Operation.CASE_READ, case_id) as reading:
        return open_case(reading, case_id)


@router.patch("/cases/{case_id}")
def correct_case(case_id: str, asked: CaseAmendment, asking: Asking) -> Case:
    """Correct a case; what it was before stays readable."""
    with asking.gate.writing(Operation.CASE_EDIT, case_id) as writing:
        current = writing.get(Case, case_id)
        if current.version != asked.version:
            raise Conflict(kind="case", id=case_id, expected=asked.version, found=current.version)
        changes = asked.model_dump(exclude={"version", "reason"}, exclude_none=True)
        if "status" in changes:
            changes["status"] = CaseStatus(changes["status"])
        return amend_case(writing, replace(current, **changes), reason=asked.reason)


@router.post("/cases/{case_id}/teeth/{number}", status_code=201)
def make_tooth(case_id: str, number: str, asking: Asking) -> Tooth:
    """Add a tooth, or return the one of that number."""
    with asking.gate.writing(Operation.CASE_EDIT, case_id) as writing:
        return add_tooth(writing, case_id, number)


@router.put("/cases/{case_id}/shares", status_code=204)
def share(case_id: str, asked: Share, asking: Asking) -> None:
    """Let a user reach the case."""
    with asking.gate.store.reading() as reading:
        user = find_user(reading, asked.user)
    asking.gate.share(case_id, user, may_edit=asked.may_edit)


@router.post("/cases/{case_id}/documents", status_code=201)
async def keep_document(
    case_id: str, request: Request, asking: Asking, name: Annotated[str, Query(max_length=120)]
) -> Document:
    """Record a JSON document (canals, plan …), given as the body of the request."""
    content = await request.body()
    if len(content) > LARGEST_DOCUMENT_BYTES:
        raise BadInput(f"The document has {len(content)} bytes; allowed: {LARGEST_DOCUMENT_BYTES}.")
    with asking.gate.writing(Operation.PLAN_ADD, case_id, name) as writing:
        return add_document(writing, content, name=name, case_id=case_id)


@router.get("/cases/{case_id}/documents/{document_id}")
def document(case_id: str, document_id: str, asking: Asking) -> dict[str, Any]:
    """Return the content of a document."""
    with asking.gate.reading(Operation.CASE_READ, case_id, document_id) as reading:
        found = reading.get(Document, document_id)
        if found.case_id != case_id:
            raise NotRecorded(kind="document of this case", got=document_id)
        return document_content(reading, found)


@router.post("/cases/{case_id}/files", status_code=201)
def keep_files(
    case_id: str,
    asking: Asking,
    files: list[UploadFile],
    kind: AttachmentKind = AttachmentKind.FILE,
) -> Taken:
    """Attach files: the slices of a scan, a radiograph, a photo.

    Identifying attributes of images are taken out. Names of files are not kept, for they may hold
    a person's. Archives are kept as they are and never unpacked.
    """
    with asking.gate.reading(Operation.FILE_ADD, case_id):
        pass
    if not 1 <= len(files) <= _MOST_FILES:
        raise BadInput(f"There are {len(files)} files; allowed: 1 to {_MOST_FILES} at once.")
    with tempfile.TemporaryDirectory(prefix="canalwright-") as folder:
        paths = _received(files, Path(folder))
        prepared = prepare_files(asking.gate.store, paths, kind)
        with asking.gate.store.writing(asking.user.name) as writing:
            return Taken(attach(writing, case_id, prepared, kind))


@router.get("/cases/{case_id}/files/{attachment_id}")
def file(case_id: str, attachment_id: str, asking: Asking) -> Response:
    """Return an attached file."""
    with asking.gate.reading(Operation.FILE_READ, case_id, attachment_id) as reading:
        found = reading.get(Attachment, attachment_id)
        if found.case_id != case_id:
            raise NotRecorded(kind="file of this case", got=attachment_id)
        path = reading.files.path(found.sha256)
    # Whatever it says of itself, a browser must not run it.
    headers = {"content-disposition": "attachment", "x-content-type-options": "nosniff"}
    return FileResponse(path, media_type="application/octet-stream", headers=headers)


def _received(files: list[UploadFile], folder: Path) -> list[Path]:
    """Write uploads under names of our own; refuse more than is allowed."""
    room = LARGEST_UPLOAD_BYTES
    paths = []
    for at, upload in enumerate(files):
        path = folder / f"{at:05d}{_suffix(upload.filename or '')}"
        with path.open("wb") as out:
            while piece := upload.file.read(_PIECE_BYTES):
                room -= len(piece)
                if room < 0:
                    raise BadInput(
                        f"The files together are larger than {LARGEST_UPLOAD_BYTES} bytes."
                    )
                out.write(piece)
        paths.append(path)
    return paths


def _suffix(name: str) -> str:
    """Return the ending of a file name if it is a plain one."""
    ending = Path(name).suffix.lower()
    return ending if ending[1:].isalnum() and ending.isascii() and len(ending) <= 8 else ""
