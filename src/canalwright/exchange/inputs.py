"""What a document was computed from: files with their digests, the scan's voxel size."""

from __future__ import annotations

import hashlib
from pathlib import Path

from pydantic import JsonValue

from canalwright.exchange.document import Document
from canalwright.exchange.numbers import SPACING_DECIMALS, number_list
from canalwright.imaging.scan import Scan

__all__ = ["document_input", "file_digest", "scan_input"]


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file, hexadecimal."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def document_input(path: Path, document: Document) -> dict[str, JsonValue]:
    """Return the entry for a document that was read, with the inputs it states itself."""
    return {
        "source": str(path),
        "schema": document.schema_,
        "sha256": file_digest(path),
        "inputs": document.inputs,
    }


def scan_input(scan: Scan) -> dict[str, JsonValue]:
    """Return the entry for a scan."""
    return {
        "source": scan.source,
        "sha256": scan.digest,
        "shape_zyx": list(scan.shape),
        "spacing_mm": [*number_list(scan.spacing_mm, SPACING_DECIMALS)],
        "spacing_origin": scan.spacing_origin,
        "oriented": scan.oriented,
        "invented": scan.invented,
    }
