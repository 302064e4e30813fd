"""One text for one value: the form in which records are hashed and compared."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from canalwright.errors import MalformedText

__all__ = ["canonical_json", "sha256_hex"]


def canonical_json(value: Any) -> str:
    """Return the only JSON text of a value: sorted keys, no spaces, UTF-8.

    Raises
    ------
    MalformedText
        If a number is NaN or infinite, or the value is none that JSON has.
    """
    try:
        return json.dumps(
            value, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":")
        )
    except (TypeError, ValueError) as error:
        raise MalformedText(
            name="value to be recorded",
            got=str(error),
            expected="made of text, finite numbers, lists and mappings",
        ) from None


def sha256_hex(content: bytes | str) -> str:
    """Return the SHA-256 of bytes, or of text in UTF-8, as 64 hexadecimal digits."""
    data = content.encode("utf-8") if isinstance(content, str) else content
    return hashlib.sha256(data).hexdigest()
