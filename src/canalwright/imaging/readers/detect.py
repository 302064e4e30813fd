"""What a path holds, told from its first bytes."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import islice
from pathlib import Path

from canalwright.imaging.readers.dicom import (
    is_dicom,
    looks_like_dicom,
    read_dicom_file,
    read_dicom_files,
)
from canalwright.imaging.readers.gray import Voxels, checked
from canalwright.imaging.readers.grid import StatedGrid, Steps, settle
from canalwright.imaging.readers.guard import refuse, unpacked_head
from canalwright.imaging.readers.metaimage import looks_like_metaimage, read_metaimage
from canalwright.imaging.readers.nifti import looks_like_nifti, read_nifti
from canalwright.imaging.readers.nrrd_file import looks_like_nrrd, read_nrrd
from canalwright.imaging.readers.stacks import (
    is_picture,
    looks_like_png,
    looks_like_tiff,
    read_picture_stack,
    read_tiff,
)
from canalwright.imaging.scan import Scan

__all__ = ["detected"]

HEAD = 1024
JPEG = b"\xff\xd8\xff"
DICOM_INDEX = "DICOMDIR"
"""The name that the standard reserves for the index of a medium."""

FILE_LIMIT = 20_000
"""Files looked at in a folder and below it."""

Progress = Callable[[float], None]
Reader = Callable[[Steps | None, str | None, Progress | None], Scan]
FileReader = Callable[[Path], tuple[Voxels, StatedGrid, str]]


def detected(path: Path) -> Reader:
    """Return the reader for a path.

    Raises
    ------
    UnreadableFile
        If the content is of no known kind.
    """
    return _folder_reader(path) if path.is_dir() else _file_reader(path)


def _file_reader(path: Path) -> Reader:
    if path.name.upper() == DICOM_INDEX:
        return _folder_reader(path.parent)
    head = _head(path)
    if not head:
        raise refuse(path, "is empty")
    if looks_like_nrrd(head):
        return _volume_reader(path, read_nrrd)
    if looks_like_nifti(unpacked_head(head)):
        return _volume_reader(path, read_nifti)
    if looks_like_metaimage(head):
        return _volume_reader(path, read_metaimage)
    if looks_like_tiff(head):
        return _volume_reader(path, read_tiff)
    if looks_like_png(head) or head.startswith(JPEG):
        raise refuse(
            path,
            "is a single picture, not a volume",
            "For a stack of slices, give the folder that holds them.",
        )
    if looks_like_dicom(head):
        return lambda spacing, _series, progress: read_dicom_file(path, spacing, progress)
    raise refuse(path, "is not a DICOM, NRRD, NIfTI, MetaImage or TIFF file")


def _folder_reader(folder: Path) -> Reader:
    files = [p for p in sorted(folder.iterdir()) if p.is_file()]
    dicom = _dicom_files(files) or _dicom_files(_files_below(folder))
    if dicom:
        return lambda spacing, series, progress: read_dicom_files(
            folder, dicom, spacing, series, progress
        )
    pictures = [p for p in files if is_picture(p)]
    if pictures:
        return _volume_reader(folder, lambda place: read_picture_stack(place, pictures))
    if not files:
        raise refuse(folder, "is an empty folder")
    raise refuse(
        folder,
        "holds no DICOM files and no TIFF or PNG slices",
        "To read a file of another kind, give its name.",
    )


def _dicom_files(files: Iterable[Path]) -> list[Path]:
    return [p for p in files if p.name.upper() != DICOM_INDEX and is_dicom(p)]


def _files_below(folder: Path) -> list[Path]:
    found = (p for p in folder.rglob("*") if p.is_file())
    files = list(islice(found, FILE_LIMIT + 1))
    if len(files) > FILE_LIMIT:
        raise refuse(
            folder,
            f"holds more than {FILE_LIMIT} files in its subfolders",
            "Give the folder of one scan.",
        )
    return sorted(files)


def _volume_reader(path: Path, read: FileReader) -> Reader:
    def reader(spacing: Steps | None, _series: str | None, progress: Progress | None) -> Scan:
        voxels, stated, digest = read(path)
        place = settle(path, stated, spacing)
        voxels, repaired = checked(path, voxels)
        if progress is not None:
            progress(1.0)
        return Scan(
            voxels=voxels,
            spacing_mm=place.spacing_mm,
            origin_mm=place.origin_mm,
            direction=place.direction,
            oriented=place.oriented,
            source=str(path),
            digest=digest,
            spacing_origin=place.spacing_origin,
            cautions=(*place.cautions, *repaired),
        )

    return reader


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(HEAD)
    except OSError as error:
        raise refuse(path, f"cannot be opened ({error.strerror or error})") from error
