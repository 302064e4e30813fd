"""Writing a file completely or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from canalwright.errors import UnreadableFile

__all__ = ["write_whole"]


def write_whole(path: Path, content: bytes) -> Path:
    """Write `content` under a temporary name beside `path`, then rename it.

    Raises
    ------
    UnreadableFile
        If the folder does not exist or cannot be written; an older file stays untouched.
    """
    path = Path(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as error:
        raise UnreadableFile(
            path=str(path), problem=f"cannot be written ({error.strerror})"
        ) from error
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)
    except OSError as error:
        temporary.unlink(missing_ok=True)
        raise UnreadableFile(
            path=str(path), problem=f"cannot be written ({error.strerror})"
        ) from error
    return path


def _umask() -> int:
    # Reading the mask means setting it; the window is a few instructions long.
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
