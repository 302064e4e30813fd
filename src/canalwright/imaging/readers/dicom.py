"""DICOM: a folder, one file of a series, or a multi-frame object."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np

from canalwright.cautions import Caution
from canalwright.errors import UnknownName
from canalwright.imaging.readers.dicom_geometry import stacked
from canalwright.imaging.readers.dicom_headers import DicomImage, read_image_header
from canalwright.imaging.readers.dicom_pixels import read_pixels
from canalwright.imaging.readers.gray import checked, rescaled
from canalwright.imaging.readers.grid import Steps, settle
from canalwright.imaging.readers.guard import refuse
from canalwright.imaging.scan import Scan

__all__ = ["looks_like_dicom", "read_dicom_file", "read_dicom_files"]

PREAMBLE = 132
HEADER_SHARE = 0.3
"""Share of the work that reading headers is, for the progress bar."""

Progress = Callable[[float], None]


def looks_like_dicom(head: bytes) -> bool:
    """Tell from the first 132 bytes whether a file is DICOM, with or without its preamble."""
    if head[128:132] == b"DICM":
        return True
    # Files without preamble begin with a low group, in either byte order; elements are small.
    return head[:4] in {
        bytes([group, 0, element, 0]) for group in (2, 8) for element in (0, 1, 5, 8)
    } | {bytes([0, group, 0, element]) for group in (2, 8) for element in (0, 1, 5, 8)}


def read_dicom_file(path: Path, spacing_mm: Steps | None, progress: Progress | None) -> Scan:
    """Read the series that one file belongs to; its other files are looked for beside it."""
    image = read_image_header(path)
    if image is None:
        raise refuse(path, "is a DICOM file without an image")
    if len(image.frames) > 1:
        return _read_series(path, [image], spacing_mm, progress)
    siblings = [
        p for p in sorted(path.parent.iterdir()) if p.is_file() and p != path and is_dicom(p)
    ]
    images = [image, *(i for i in _headers(siblings, None) if i.series_uid == image.series_uid)]
    return _read_series(path, images, spacing_mm, progress)


def read_dicom_files(
    folder: Path,
    files: Sequence[Path],
    spacing_mm: Steps | None,
    series: str | None,
    progress: Progress | None,
) -> Scan:
    """Read the one series that the files of a folder form, or the one asked for.

    Raises
    ------
    UnreadableFile
        If the files hold no image, or several series and none is asked for.
    UnknownName
        If the series asked for is not there.
    """
    images = _headers(files, progress)
    groups: dict[str, list[DicomImage]] = {}
    for image in images:
        groups.setdefault(image.series_uid, []).append(image)
    if not groups:
        raise refuse(folder, "holds DICOM files, but none with an image")
    chosen = _chosen(folder, groups, series)
    return _read_series(folder, chosen, spacing_mm, progress)


def is_dicom(path: Path) -> bool:
    """Tell whether a file is DICOM by its first bytes; False if it cannot be opened."""
    try:
        with path.open("rb") as file:
            return looks_like_dicom(file.read(PREAMBLE))
    except OSError:
        return False


def _headers(files: Sequence[Path], progress: Progress | None) -> list[DicomImage]:
    images: list[DicomImage] = []
    for done, path in enumerate(files, start=1):
        image = read_image_header(path)
        if image is not None:
            images.append(image)
        if progress is not None:
            progress(HEADER_SHARE * done / len(files))
    return images


def _chosen(
    folder: Path, groups: dict[str, list[DicomImage]], series: str | None
) -> list[DicomImage]:
    if series is None:
        if len(groups) == 1:
            return next(iter(groups.values()))
        listed = "; ".join(_label(uid, images) for uid, images in groups.items())
        raise refuse(
            folder, f"holds {len(groups)} series: {listed}", "Name the one to read by its number."
        )
    for uid, images in groups.items():
        if series == images[0].series_number:
            same = [u for u, g in groups.items() if g[0].series_number == series]
            if len(same) == 1:
                return images
        if uid and uid.endswith(series):
            return images
    raise UnknownName(
        kind="series",
        got=series,
        known=tuple(_label(uid, images) for uid, images in groups.items()),
        hint="Give its number or the end of its identifier.",
    )


def _label(uid: str, images: Sequence[DicomImage]) -> str:
    first = images[0]
    frames = sum(len(image.frames) for image in images)
    name = f" {first.description!r}" if first.description else ""
    return f"{first.series_number or '?'}{name} ({frames} frames, …{uid[-8:]})"


def _read_series(
    path: Path, images: Sequence[DicomImage], spacing_mm: Steps | None, progress: Progress | None
) -> Scan:
    _require_one_layout(path, images)
    stack = stacked(path, [frame for image in images for frame in image.frames])
    place = settle(path, stack.grid, spacing_mm)
    pixels = read_pixels(stack.frames, {image.path: image for image in images}, _later(progress))
    voxels, repaired = checked(
        path,
        rescaled(
            pixels.stored,
            np.array([frame.slope for frame in stack.frames]),
            np.array([frame.intercept for frame in stack.frames]),
        ),
    )
    return Scan(
        voxels=voxels,
        spacing_mm=place.spacing_mm,
        origin_mm=place.origin_mm,
        direction=place.direction,
        oriented=place.oriented,
        source=str(path),
        digest=pixels.digest,
        spacing_origin=place.spacing_origin,
        cautions=(*place.cautions, *repaired, *_display_cautions(images)),
    )


def _require_one_layout(path: Path, images: Iterable[DicomImage]) -> None:
    layouts = {image.layout for image in images}
    if len(layouts) > 1:
        sizes = sorted({f"{layout.columns} × {layout.rows}" for layout in layouts})
        raise refuse(
            path,
            f"its slices differ in size or storage ({', '.join(sizes)} pixels), so that they do "
            "not form one volume",
        )


def _later(progress: Progress | None) -> Progress | None:
    if progress is None:
        return None
    return lambda share: progress(HEADER_SHARE + (1.0 - HEADER_SHARE) * share)


def _display_cautions(images: Sequence[DicomImage]) -> tuple[Caution, ...]:
    if not images[0].layout.inverted:
        return ()
    text = "The series is meant for display with dark and bright swapped; its values were kept."
    return (Caution("INVERTED_DISPLAY", text, "project rule"),)
