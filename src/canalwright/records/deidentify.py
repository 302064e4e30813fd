"""Image files without names in their headers; what cannot be cleaned is refused."""

from __future__ import annotations

import gzip
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from canalwright.cautions import Caution
from canalwright.errors import UnreadableFile
from canalwright.records.deidentify_dicom import METHOD as DICOM_METHOD
from canalwright.records.deidentify_dicom import cleaned_dicom

__all__ = ["DEIDENTIFICATION_CAUTIONS", "LARGEST_IMAGE_BYTES", "Cleaned", "cleaned_image"]

LARGEST_IMAGE_BYTES: Final = 4_000_000_000

DEIDENTIFICATION_CAUTIONS: Final = (
    Caution(
        "PIXELS_NOT_CHECKED",
        "Headers were cleaned; pixels were not looked at. A volume of the head can show a face, "
        "and a picture may have text in it: look before you pass it on.",
        "project rule",
    ),
)


@dataclass(frozen=True, slots=True)
class Cleaned:
    """An image file as it may be kept.

    Attributes
    ----------
    content : bytes
    suffix, media_type : str
    method : str
        What was done to it.
    """

    content: bytes
    suffix: str
    media_type: str
    method: str


def cleaned_image(path: Path, *, name: str, salt: str) -> Cleaned:
    """Return an image file without identifying attributes.

    Parameters
    ----------
    path : Path
    name : str
        What to call it in messages.
    salt : str
        For the identifiers of DICOM files; see `cleaned_dicom`.

    Raises
    ------
    UnreadableFile
        If it is of no kind that can be cleaned, broken, or too large.
    """
    try:
        size = path.stat().st_size
        with path.open("rb") as stream:
            head = stream.read(352)
    except OSError as error:
        raise UnreadableFile(path=name, problem=f"cannot be read ({error.strerror})") from None
    if size > LARGEST_IMAGE_BYTES:
        raise UnreadableFile(path=name, problem="larger than 4 GB")
    if head[128:132] == b"DICM":
        return Cleaned(
            cleaned_dicom(path, name=name, salt=salt), ".dcm", "application/dicom", DICOM_METHOD
        )
    for begins, clean in _CLEANERS:
        if begins(head):
            return _tried(clean, path, name)
    raise UnreadableFile(
        path=name,
        problem="it is no image whose header can be cleaned (DICOM, PNG, JPEG, NIfTI, NRRD)",
        hint="If you are sure that it names nobody, attach it unchanged with --as-is.",
    )


def _tried(clean: Callable[[bytes], Cleaned], path: Path, name: str) -> Cleaned:
    try:
        return clean(path.read_bytes())
    except (ValueError, IndexError, struct.error, EOFError, OSError):
        raise UnreadableFile(path=name, problem="the file is broken or ends early") from None


def _png(content: bytes) -> Cleaned:
    """Keep the chunks that make the picture; text, times and camera data are others."""
    kept, at = [content[:8]], 8
    while at < len(content):
        (length,) = struct.unpack(">I", content[at : at + 4])
        kind, end = content[at + 4 : at + 8], at + 12 + length
        if end > len(content):
            raise ValueError
        if kind in _PNG_CHUNKS:
            kept.append(content[at:end])
        at = end
        if kind == b"IEND":
            return Cleaned(b"".join(kept), ".png", "image/png", "PNG: text chunks removed")
    raise ValueError


_PNG_CHUNKS: Final = frozenset(
    (b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"pHYs", b"sBIT", b"bKGD")
)


def _jpeg(content: bytes) -> Cleaned:
    """Drop comments and application segments but the ones that say how colors are coded."""
    kept, at = [content[:2]], 2
    while content[at] == 0xFF:
        marker = content[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        (length,) = struct.unpack(">H", content[at + 2 : at + 4])
        segment = content[at : at + 2 + length]
        if marker == 0xDA:
            end = content.rindex(b"\xff\xd9") + 2
            kept.append(content[at:end])
            return Cleaned(b"".join(kept), ".jpg", "image/jpeg", "JPEG: comments and tags removed")
        if _needed_in_jpeg(marker, segment):
            kept.append(segment)
        at += 2 + length
    raise ValueError


def _needed_in_jpeg(marker: int, segment: bytes) -> bool:
    if 0xE0 <= marker <= 0xEF:
        return (marker == 0xE0 and segment[4:9] == b"JFIF\0" and len(segment) == 18) or (
            marker == 0xEE and segment[4:9] == b"Adobe" and len(segment) == 16
        )
    return marker != 0xFE


def _nifti(content: bytes) -> Cleaned:
    """Blank every text field of the header and leave out its extensions."""
    packed = content[:2] == b"\x1f\x8b"
    data = gzip.decompress(content) if packed else content
    little = struct.unpack("<i", data[:4])[0] == 348
    order = "<" if little else ">"
    offset = int(struct.unpack(order + "f", data[108:112])[0])
    if not 352 <= offset <= len(data) or data[344:348] != b"n+1\0":
        raise ValueError
    header = bytearray(data[:348])
    for start, end in ((4, 14), (14, 32), (148, 228), (228, 252), (328, 344)):
        header[start:end] = bytes(end - start)
    header[108:112] = struct.pack(order + "f", 352.0)
    made = bytes(header) + bytes(4) + data[offset:]
    method = "NIfTI: text fields and extensions removed"
    if packed:
        return Cleaned(gzip.compress(made, 6, mtime=0), ".nii.gz", "application/gzip", method)
    return Cleaned(made, ".nii", "application/octet-stream", method)


_NRRD_FIELDS: Final = frozenset(
    (
        "type", "dimension", "space", "space dimension", "sizes", "spacings", "thicknesses",
        "axis mins", "axis maxs", "axismins", "axismaxs", "centers", "centerings", "kinds",
        "encoding", "endian", "min", "max", "old min", "old max", "oldmin", "oldmax",
        "block size", "blocksize", "line skip", "lineskip", "byte skip", "byteskip",
        "space directions", "space origin", "space units", "units", "measurement frame",
    )
)  # fmt: skip


def _nrrd(content: bytes) -> Cleaned:
    """Keep the fields of the format; comments and key/value pairs are left out."""
    header, blank, data = content.partition(b"\n\n")
    if b"\r\n" in header.split(b"\n", 1)[0] + b"\n" or not blank:
        header, blank, data = content.partition(b"\r\n\r\n")
    lines = header.replace(b"\r\n", b"\n").split(b"\n")
    kept = [lines[0]]
    for line in lines[1:]:
        field = line.partition(b":")[0].decode("ascii", "replace").strip().lower()
        if ":=" in line.decode("ascii", "replace") or line.startswith(b"#"):
            continue
        if field in _NRRD_FIELDS:
            kept.append(line)
        elif field in ("data file", "datafile"):
            raise ValueError
    if not blank:
        raise ValueError
    made = b"\n".join(kept) + b"\n\n" + data
    method = "NRRD: comments and key/value pairs removed"
    return Cleaned(made, ".nrrd", "application/octet-stream", method)


def _is_nifti(head: bytes) -> bool:
    return head[344:348] == b"n+1\0" or head[:2] == b"\x1f\x8b"


_CLEANERS: Final[tuple[tuple[Callable[[bytes], bool], Callable[[bytes], Cleaned]], ...]] = (
    (lambda head: head.startswith(b"\x89PNG\r\n\x1a\n"), _png),
    (lambda head: head.startswith(b"\xff\xd8\xff"), _jpeg),
    (lambda head: head.startswith(b"NRRD000"), _nrrd),
    (_is_nifti, _nifti),
)
