"""DICOM: a folder, one file of a series, or a multi-frame object."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from canalwright.cautions import Caution
from canalwright.errors import UnknownName, UnreadableFile
from canalwright.imaging.readers.dicom_geometry import Stack, stacked
from canalwright.imaging.readers.dicom_headers import DicomImage, PixelSource, read_image_header
from canalwright.imaging.readers.dicom_pixels import Pixels, read_pixels
from canalwright.imaging.readers.dicom_whole import missing_slices, require_whole
from canalwright.imaging.readers.gray import Voxels, checked, require_contrast, rescaled
from canalwright.imaging.readers.grid import Steps, settle
from canalwright.imaging.readers.guard import refuse
from canalwright.imaging.scan import Scan

__all__ = ["looks_like_dicom", "read_dicom_file", "read_dicom_files"]

PREAMBLE = 132
HEADER_SHARE = 0.3
"""Share of the work that reading headers is, for the progress bar."""

Progress = Callable[[float], None]
Groups = dict[str, list[DicomImage]]


def looks_like_dicom(head: bytes) -> bool:
    """Tell from the first 132 bytes whether a file is DICOM, with or without its preamble."""
    if head[128:132] == b"DICM":
        return True
    # Files without preamble begin with a low group, in either byte order; elements are small.
    return head[:4] in {
        bytes([group, 0, element, 0]) for group in (2, 8) for element in (0, 1, 5, 8)
    } | {bytes([0, group, 0, element]) for group in (2, 8) for element in (0, 1, 5, 8)}


def read_dicom_file(path: Path, spacing_mm: Steps | None, progress: Progress | None) -> Scan:
    """Read the series that one file belongs to; its other files are looked for beside it.

    Raises
    ------
    UnreadableFile
        If the file holds no image, or its series is no volume.
    """
    image = read_image_header(path)
    _source(image)
    if image.frame_count > 1:
        return _read_series(path, [image], spacing_mm, progress)
    siblings = [
        p for p in sorted(path.parent.iterdir()) if p.is_file() and p != path and is_dicom(p)
    ]
    images = [image, *_headers(siblings, None)]
    require_whole(images)
    ours = [one for one in images if one.series_uid == image.series_uid]
    return _read_series(path, ours, spacing_mm, progress)


def read_dicom_files(
    folder: Path,
    files: Sequence[Path],
    spacing_mm: Steps | None,
    series: str | None,
    progress: Progress | None,
) -> Scan:
    """Read the one volume that the files of a folder form, or the series asked for.

    Raises
    ------
    UnreadableFile
        If the files hold no image, or several volumes and none is asked for.
    UnknownName
        If the series asked for is not there.
    """
    images = _headers(files, progress)
    require_whole(images)
    groups = _image_series(images)
    if not groups:
        raise refuse(folder, "holds DICOM files, but none with an image")
    chosen = _only_volume(folder, groups) if series is None else _named(groups, series)
    scan = _read_series(folder, groups[chosen], spacing_mm, progress)
    others = [_label(uid, images, named=False) for uid, images in groups.items() if uid != chosen]
    if series is not None or not others:
        return scan
    text = f"The folder also holds series that are no volumes: {'; '.join(others)}."
    caution = Caution("OTHER_SERIES", text, "project rule")
    return replace(scan, cautions=(*scan.cautions, caution))


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
        images.append(read_image_header(path))
        if progress is not None:
            progress(HEADER_SHARE * done / len(files))
    return images


def _image_series(images: Iterable[DicomImage]) -> Groups:
    """Gather files by series; reports, plans and other series without any frame are dropped."""
    groups: Groups = {}
    for image in images:
        groups.setdefault(image.series_uid, []).append(image)
    return {uid: group for uid, group in groups.items() if any(i.frame_count for i in group)}


def _only_volume(folder: Path, groups: Groups) -> str:
    """Return the identifier of the only series with several gray frames."""
    volumes = [uid for uid, images in groups.items() if _gray_frames(images) > 1]
    if len(volumes) == 1:
        return volumes[0]
    if len(groups) == 1:
        return next(iter(groups))
    listed = "; ".join(_label(uid, groups[uid]) for uid in volumes or groups)
    kind = f"{len(volumes)} series" if volumes else "no volume, only single pictures"
    raise refuse(folder, f"holds {kind}: {listed}", "Name the one to read." if volumes else "")


def _gray_frames(images: Sequence[DicomImage]) -> int:
    return sum(i.frame_count for i in images if isinstance(i.pixels, PixelSource))


def _named(groups: Groups, series: str) -> str:
    numbered = [uid for uid, images in groups.items() if images[0].series_number == series]
    if len(numbered) == 1:
        return numbered[0]
    ending = [uid for uid in groups if series and uid.endswith(series)]
    if len(ending) == 1:
        return ending[0]
    raise UnknownName(
        kind="single series",
        got=series,
        known=tuple(_label(uid, images) for uid, images in groups.items()),
        hint="Give its number or the end of its identifier.",
    )


def _label(uid: str, images: Sequence[DicomImage], *, named: bool = True) -> str:
    """Say which series it is; what is kept with a result leaves out what may tell a person."""
    first = images[0]
    frames = sum(image.frame_count for image in images)
    number = first.series_number or "?"
    if not named:
        return f"number {number} ({frames} frames)"
    name = f" {first.description!r}" if first.description else ""
    return f"{number}{name} ({frames} frames, …{uid[-8:]})"


def _source(image: DicomImage) -> PixelSource:
    if isinstance(image.pixels, UnreadableFile):
        raise image.pixels
    return image.pixels


def _read_series(
    path: Path, images: Sequence[DicomImage], spacing_mm: Steps | None, progress: Progress | None
) -> Scan:
    sources = {image.path: _source(image) for image in images}
    _require_one_layout(path, sources.values())
    stack = stacked(path, [frame for source in sources.values() for frame in source.frames])
    place = settle(path, stack.grid, spacing_mm)
    pixels = read_pixels(stack.frames, sources, _later(progress))
    require_contrast(path, pixels.low, pixels.high)
    voxels, repaired = _gray_values(path, stack, pixels)
    return Scan(
        voxels=voxels,
        spacing_mm=place.spacing_mm,
        origin_mm=place.origin_mm,
        direction=place.direction,
        oriented=place.oriented,
        source=str(path),
        digest=pixels.digest,
        spacing_origin=place.spacing_origin,
        invented=any(image.invented for image in images),
        cautions=(
            *place.cautions,
            *missing_slices(images, place.spacing_mm[0]),
            *repaired,
            *_pixel_cautions(sources.values()),
        ),
    )


def _gray_values(path: Path, stack: Stack, pixels: Pixels) -> tuple[Voxels, tuple[Caution, ...]]:
    slopes = np.array([frame.slope for frame in stack.frames])
    intercepts = np.array([frame.intercept for frame in stack.frames])
    voxels = rescaled(pixels.stored, slopes, intercepts, (pixels.low, pixels.high))
    return (voxels, ()) if voxels.dtype.kind in "iu" else checked(path, voxels)


def _require_one_layout(path: Path, sources: Iterable[PixelSource]) -> None:
    layouts = {source.layout for source in sources}
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


def _pixel_cautions(sources: Iterable[PixelSource]) -> tuple[Caution, ...]:
    cautions = []
    if any(source.layout.inverted for source in sources):
        text = "The series is meant for display with dark and bright swapped; its values were kept."
        cautions.append(Caution("INVERTED_DISPLAY", text, "project rule"))
    if any(source.lossy for source in sources):
        text = "The pixels were compressed with loss; fine canals may be blurred or altered."
        cautions.append(Caution("LOSSY_COMPRESSION", text, "project rule"))
    return tuple(cautions)
