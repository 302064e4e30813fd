"""Results kept as they come: one file for each, whole or not there, found again by its key."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from canalwright import __version__

__all__ = ["kept_text", "key_of", "put_bytes", "put_json"]


def key_of(*parts: Any) -> str:
    """Return a key for a result: of everything it was computed from, and the version.

    Parameters
    ----------
    *parts
        Whatever can be written as JSON.
    """
    text = json.dumps([__version__, *parts], sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def put_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write a file that is whole or not there, also when the machine stops in between."""
    text = json.dumps(content, ensure_ascii=False, sort_keys=True, allow_nan=False)
    put_bytes(path, text.encode("utf-8"))


def put_bytes(path: Path, content: bytes) -> None:
    """Write bytes beside their place, flush them to the disk, and rename them into it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=".part-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as sink:
            sink.write(content)
            sink.flush()
            os.fsync(sink.fileno())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def kept_text(path: Path) -> dict[str, Any] | None:
    """Return what `put_json` wrote; None if there is nothing, or nothing that can be read."""
    try:
        found = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None
