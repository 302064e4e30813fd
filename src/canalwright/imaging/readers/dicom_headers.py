"""Geometry and pixel layout from DICOM headers; nothing that identifies a person is kept."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from canalwright.errors import UnreadableFile
from canalwright.imaging.readers.guard import guarded, refuse

if TYPE_CHECKING:
    from pydicom.dataset import Dataset
    from pydicom.tag import BaseTag

__all__ = [
    "INVENTED_COMMENT",
    "DicomImage",
    "Frame",
    "Layout",
    "PixelSource",
    "read_image_header",
]

INVENTED_COMMENT = "Invented data from a generator, not a patient. Do not use for treatment."
"""Image comment by which a series of ours says so; written and read."""

PIXEL_DATA_LITTLE = b"\xe0\x7f\x10\x00"
PIXEL_DATA_BIG = b"\x7f\xe0\x00\x10"
UNDEFINED_LENGTH = 0xFFFFFFFF
BINARY_NUMBERS = {
    "SamplesPerPixel", "Rows", "Columns", "BitsAllocated", "BitsStored", "HighBit",
    "PixelRepresentation", "NumberOfSlices",
}  # fmt: skip
"""Elements of value type US."""

COUNTS = ("ImagesInAcquisition", "NumberOfSeriesRelatedInstances", "NumberOfSlices")
"""Elements that say how many images belong together."""

NATIVE_SYNTAXES = {
    "1.2.840.10008.1.2": (False, "<"),
    "1.2.840.10008.1.2.1": (True, "<"),
    "1.2.840.10008.1.2.2": (True, ">"),
}
"""Uncompressed transfer syntaxes: whether value types are explicit, and the byte order."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How the pixels of a frame are stored; the same for all frames of a series."""

    rows: int
    columns: int
    bits_allocated: int
    bits_stored: int
    signed: bool
    byte_order: str
    inverted: bool

    @property
    def frame_bytes(self) -> int:
        """Size of one uncompressed frame."""
        return self.rows * self.columns * self.bits_allocated // 8


@dataclass(frozen=True, slots=True)
class Frame:
    """One slice: where it lies and how its stored values become gray values.

    Attributes
    ----------
    path : Path
    index : int
        Place among the frames of its file.
    position_mm : tuple of float
        Center of the first pixel, LPS; empty if not stated.
    orientation : tuple of float
        Direction cosines of a row, then of a column; empty if not stated.
    pixel_spacing_mm : tuple of float
        Between rows, then between columns; empty if not stated.
    slope, intercept : float
    """

    path: Path
    index: int
    position_mm: tuple[float, ...]
    orientation: tuple[float, ...]
    pixel_spacing_mm: tuple[float, ...]
    slope: float
    intercept: float


@dataclass(frozen=True, slots=True)
class DicomImage:
    """The header of one file that holds gray pixels.

    Attributes
    ----------
    path : Path
    series_uid, series_number, description : str
    frame_count : int
    pixels : PixelSource or UnreadableFile
        Where the gray values are, or why they cannot be used.
    invented : bool
        Whether the image says that a generator made it.
    number : int or None
        Number of the image in its series.
    stated_count : int
        How many images the header speaks of; 0 if it does not say.
    step_mm : float or None
        Distance of neighboring slices as stated.
    """

    path: Path
    series_uid: str
    series_number: str
    description: str
    frame_count: int
    pixels: PixelSource | UnreadableFile
    invented: bool = False
    number: int | None = None
    stated_count: int = 0
    step_mm: float | None = None


@dataclass(frozen=True, slots=True)
class PixelSource:
    """The frames of one file and how their pixels are stored.

    Attributes
    ----------
    layout : Layout
    frames : tuple of Frame
    first_byte : int
        Where in the file uncompressed pixels begin, or 0 if they have to be decoded.
    lossy : bool
        Whether the pixels were ever compressed with loss.
    """

    layout: Layout
    frames: tuple[Frame, ...]
    first_byte: int
    lossy: bool


def read_image_header(path: Path) -> DicomImage:
    """Return the header of a DICOM file, with 0 frames if it holds no image at all.

    What makes an image useless is kept instead of raised: a screenshot in color beside a volume
    is no reason to refuse the volume.

    Raises
    ------
    UnreadableFile
        If the file is damaged so that not even its series is known.
    """
    from pydicom import dcmread

    try:
        with path.open("rb") as file:
            with guarded(path, "its DICOM header"):
                dataset = dcmread(file, stop_before_pixels=True, force=True)
                series, number, description, comment = (
                    _text(dataset, keyword)
                    for keyword in (
                        "SeriesInstanceUID",
                        "SeriesNumber",
                        "SeriesDescription",
                        "ImageComments",
                    )
                )
            pixels = _pixel_source(path, dataset, file)
            return DicomImage(
                path,
                series,
                number,
                description,
                *pixels,
                comment == INVENTED_COMMENT,
                _place_in_series(dataset),
                max(_place_in_series(dataset, keyword) or 0 for keyword in COUNTS),
                _stated_step_mm(dataset),
            )
    except OSError as error:
        raise refuse(path, f"cannot be opened ({error.strerror or error})") from error


def _text(dataset: Dataset, keyword: str) -> str:
    text = str(_stated(dataset, keyword) or "")
    return "".join(c for c in text if c.isprintable()).strip()


def _place_in_series(dataset: Dataset, keyword: str = "InstanceNumber") -> int | None:
    """Return a whole number that is of use but not needed; None for whatever is none."""
    try:
        value = _stated(dataset, keyword)
        return None if value is None or value == "" else int(value)
    except (TypeError, ValueError, OverflowError):
        return None


def _stated_step_mm(dataset: Dataset) -> float | None:
    try:
        (value,) = _numbers([dataset], "SpacingBetweenSlices", 1) or (math.nan,)
    except (TypeError, ValueError, OverflowError):
        return None
    return value if math.isfinite(value) and value > 0.0 else None


def _pixel_source(
    path: Path, dataset: Dataset, file: BinaryIO
) -> tuple[int, PixelSource | UnreadableFile]:
    if _tag("Rows") not in dataset and _tag("NumberOfFrames") not in dataset:
        return 0, refuse(path, "is a DICOM file without an image")
    count = 1
    try:
        with guarded(path, "its DICOM header"):
            count = _frame_count(dataset)
            meta = getattr(dataset, "file_meta", None)
            syntax = str(meta.get("TransferSyntaxUID", "") if meta is not None else "")
            syntax = syntax or _guessed_syntax(dataset)
            layout = _layout(path, dataset, NATIVE_SYNTAXES.get(syntax, (True, "<"))[1])
            frames = _frames(path, dataset)
            offset = _pixel_offset(path, file, syntax, layout, count)
            lossy = str(_stated(dataset, "LossyImageCompression")) == "01"
    except UnreadableFile as problem:
        return count, problem
    return count, PixelSource(layout, frames, offset, lossy)


def _guessed_syntax(dataset: Dataset) -> str:
    implicit, little = dataset.original_encoding
    if implicit:
        return "1.2.840.10008.1.2"
    return "1.2.840.10008.1.2.1" if little else "1.2.840.10008.1.2.2"


def _layout(path: Path, dataset: Dataset, byte_order: str) -> Layout:
    samples = _whole(dataset, "SamplesPerPixel", 1)
    photometric = str(_stated(dataset, "PhotometricInterpretation") or "MONOCHROME2")
    if samples != 1 or not photometric.startswith("MONOCHROME"):
        raise refuse(path, f"holds color pictures ({photometric}), not gray values")
    allocated = _whole(dataset, "BitsAllocated", 0)
    stored = _whole(dataset, "BitsStored", allocated)
    if allocated not in (8, 16, 32) or not 1 <= stored <= allocated:
        raise refuse(path, f"stores {stored} of {allocated} bits per pixel, which is not supported")
    if _whole(dataset, "HighBit", stored - 1) != stored - 1:
        raise refuse(path, "stores its pixels in the upper bits, which is not supported")
    rows, columns = _whole(dataset, "Rows", 0), _whole(dataset, "Columns", 0)
    if rows < 2 or columns < 2:
        raise refuse(path, f"has frames of {rows} × {columns} pixels, too few for an image")
    signed = _whole(dataset, "PixelRepresentation", 0) == 1
    return Layout(
        rows, columns, allocated, stored, signed, byte_order, photometric == "MONOCHROME1"
    )


def _stated(dataset: Dataset, keyword: str) -> Any:
    """Return the text or number of an element, or None; without the library's slow conversion."""
    element = dataset.get_item(_tag(keyword))
    value = None if element is None else element.value
    if not isinstance(value, bytes):
        return value
    if keyword in BINARY_NUMBERS:
        little = getattr(element, "is_little_endian", True)
        return int.from_bytes(value, "little" if little else "big") if len(value) == 2 else None
    return value.decode("latin-1").strip(" \0")


@cache
def _tag(keyword: str) -> BaseTag:
    from pydicom.datadict import tag_for_keyword
    from pydicom.tag import Tag

    return Tag(tag_for_keyword(keyword) or 0)


def _whole(dataset: Dataset, keyword: str, default: int) -> int:
    value = _stated(dataset, keyword)
    return default if value is None or value == "" else int(value)


def _frame_count(dataset: Dataset) -> int:
    return max(_whole(dataset, "NumberOfFrames", 1), 1)


def _frames(path: Path, dataset: Dataset) -> tuple[Frame, ...]:
    count = _frame_count(dataset)
    if _tag("PerFrameFunctionalGroupsSequence") not in dataset:
        if count > 1:
            raise refuse(path, f"holds {count} frames but does not state where each of them lies")
        return (_frame(path, 0, [dataset], dataset),)
    per_frame = dataset.PerFrameFunctionalGroupsSequence
    if len(per_frame) != count:
        raise refuse(path, f"holds {count} frames but describes {len(per_frame)}")
    shared = [*(dataset.get("SharedFunctionalGroupsSequence") or ())]
    return tuple(
        _frame(path, index, [*_groups(group), *(g for s in shared for g in _groups(s))], dataset)
        for index, group in enumerate(per_frame)
    )


def _groups(functional: Dataset) -> Iterable[Dataset]:
    wanted = (
        "PlanePositionSequence",
        "PlaneOrientationSequence",
        "PixelMeasuresSequence",
        "PixelValueTransformationSequence",
    )
    for keyword in wanted:
        yield from functional.get(keyword) or ()


def _frame(path: Path, index: int, places: list[Dataset], dataset: Dataset) -> Frame:
    if _tag("ModalityLUTSequence") in dataset:
        raise refuse(path, "maps its gray values through a lookup table, which is not supported")
    slope = _numbers(places, "RescaleSlope", 1) or (1.0,)
    intercept = _numbers(places, "RescaleIntercept", 1) or (0.0,)
    if not (math.isfinite(slope[0]) and math.isfinite(intercept[0])) or slope[0] == 0:
        raise refuse(
            path,
            f"rescales its gray values by {slope[0]:g} and {intercept[0]:g}, which is impossible",
        )
    return Frame(
        path=path,
        index=index,
        position_mm=_numbers(places, "ImagePositionPatient", 3),
        orientation=_numbers(places, "ImageOrientationPatient", 6),
        pixel_spacing_mm=_numbers(places, "PixelSpacing", 2),
        slope=slope[0],
        intercept=intercept[0],
    )


def _numbers(places: Iterable[Dataset], keyword: str, count: int) -> tuple[float, ...]:
    """Return the values of the first place that states them all, or nothing."""
    for place in places:
        value = _stated(place, keyword)
        if value is None or value == "":
            continue
        if isinstance(value, str):
            value = value.split("\\")
        values = tuple(float(v) for v in (value if isinstance(value, Iterable) else [value]))
        if len(values) == count:
            return values
    return ()


def _pixel_offset(path: Path, file: BinaryIO, syntax: str, layout: Layout, count: int) -> int:
    """Return where uncompressed pixels begin, 0 for compressed ones; check that they are there."""
    if syntax == "1.2.840.10008.1.2.1.99":
        return 0
    explicit, order = NATIVE_SYNTAXES.get(syntax, (True, "<"))
    start = file.tell()
    head = file.read(12 if explicit else 8)
    if head[:4] != (PIXEL_DATA_LITTLE if order == "<" else PIXEL_DATA_BIG):
        raise refuse(path, "holds no integer pixel data, or is cut off before them")
    length = int.from_bytes(head[-4:], "little" if order == "<" else "big")
    if syntax not in NATIVE_SYNTAXES:
        return 0
    if length == UNDEFINED_LENGTH:
        raise refuse(path, "says that its pixels are uncompressed, but stores them compressed")
    expected = layout.frame_bytes * count
    offset = start + len(head)
    present = min(length, file.seek(0, 2) - offset)
    if present < expected:
        raise refuse(
            path,
            f"its pixel data are short ({present} of {expected} bytes), so it is probably cut off",
        )
    return offset
