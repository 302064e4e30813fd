"""The application of the REST interface; the workbench mounts it under ``/api/v1``."""

from __future__ import annotations

from typing import Any, Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.responses import JSONResponse

from canalwright import __version__
from canalwright.cautions import CLINICAL_CAUTIONS
from canalwright.errors import CanalwrightError
from canalwright.records.store import Store
from canalwright.web.api import cases, people, visits
from canalwright.web.api.doors import error_answer

__all__ = ["make_api"]

_ANSWERS: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "Sign in first"},
    403: {"description": "The user's roles do not allow it, or the form token is missing"},
    404: {"description": "Not recorded, or not visible to the user"},
    409: {"description": "Changed meanwhile, or the name is taken: read again, repeat"},
    422: {"description": "The data cannot be used as they are"},
    429: {"description": "Too many wrong passwords"},
    503: {"description": "The records are busy or cannot be reached: repeat"},
}


def make_api(store: Store, *, secure: bool = False) -> FastAPI:
    """Return the application.

    Parameters
    ----------
    store : Store
    secure : bool
        Whether browsers reach it over TLS; session cookies then never travel without it.
    """
    api = FastAPI(
        title="Canalwright",
        version=__version__,
        description="Cases, visits and instruments of one practice or school. "
        + " ".join(caution.text for caution in CLINICAL_CAUTIONS),
        # The library's own pages load scripts from elsewhere.
        docs_url=None,
        redoc_url=None,
        responses=_ANSWERS,
    )
    api.state.store = store
    api.state.secure = secure
    for part in (people, cases, visits):
        api.include_router(part.router)
    api.add_exception_handler(CanalwrightError, error_answer)
    api.add_exception_handler(RequestValidationError, _malformed)
    return api


def _malformed(_request: Request, error: Exception) -> JSONResponse:
    found = error.errors() if isinstance(error, RequestValidationError) else []
    # What was sent is not repeated: it may be a password.
    faults = [f"{'.'.join(str(part) for part in one['loc'])}: {one['msg']}" for one in found[:10]]
    body = {
        "error": "MalformedRequest",
        "sentence": "; ".join(faults) or "The request is malformed.",
    }
    return JSONResponse(body, 422)
