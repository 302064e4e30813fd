"""Pictures of teeth from files: JPEG, PNG, TIFF, and single-frame DICOM.

Of a DICOM header nothing is kept but what concerns gray values and scale.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from canalwright.cautions import Caution
from canalwright.imaging.radiograph_dicom import read_dicom_picture
from canalwright.imaging.readers.dicom import looks_like_dicom
from canalwright.imaging.readers.guard import Bytes, digest_of, file_bytes, guarded, refuse
from canalwright.imaging.readers.stacks import MOST_PACKED, looks_like_png, looks_like_tiff
from canalwright.imaging.rulers import Ruler, RulerOrigin

if TYPE_CHECKING:
    from PIL.Image import Image

__all__ = ["Picture", "read_picture"]

Gray = NDArray[np.float32]

MOST_PIXELS: Final = 150_000_000
"""Larger than any film scan; a header may promise more than memory holds."""

_JPEG: Final = b"\xff\xd8\xff"
_DEEP_MODES: Final = ("I", "I;16", "I;16L", "I;16B", "I;16N", "F")
_COLORED: Final = 40
"""Difference between color channels from which a pixel counts as colored, of 255."""

_NO_RULER: Final = Ruler(
    None,
    None,
    RulerOrigin.NONE,
    "a picture file states no scale (its dpi is for printing)",
)


@dataclass(frozen=True, eq=False)
class Picture:
    """What a file holds.

    Attributes
    ----------
    gray : ndarray of float32, shape (ny, nx)
        Larger where more was absorbed.
    ruler : Ruler
    digest : str
    invented : bool
    cautions : tuple of Caution
    """

    gray: Gray
    ruler: Ruler
    digest: str
    invented: bool = False
    cautions: tuple[Caution, ...] = ()


def read_picture(path: Path) -> Picture:
    """Read one picture from a file.

    Raises
    ------
    UnreadableFile
        If it is missing, damaged, or not one picture in gray values.
    """
    if not path.exists():
        raise refuse(path, "does not exist")
    if not path.is_file():
        raise refuse(path, "is not a file; give the file of one radiograph")
    content = file_bytes(path)
    try:
        picture = _read(path, content)
    except MemoryError as error:
        raise refuse(path, "is too large for the memory of this computer") from error
    _require_picture(path, picture.gray)
    return picture


def _read(path: Path, content: Bytes) -> Picture:
    head, digest = content[:1024].tobytes(), digest_of(content)
    if head.startswith(_JPEG) or looks_like_png(head):
        gray, cautions = _from_jpeg_or_png(path, content)
        return Picture(gray, _NO_RULER, digest, cautions=cautions)
    if looks_like_tiff(head):
        gray, cautions = _from_tiff(path)
        return Picture(gray, _NO_RULER, digest, cautions=cautions)
    if looks_like_dicom(head):
        read = read_dicom_picture(path)
        return Picture(read.gray, read.ruler, digest, read.invented, read.cautions)
    if not head:
        raise refuse(path, "is empty")
    raise refuse(path, "is not a DICOM, JPEG, PNG or TIFF picture")


def _require_picture(path: Path, gray: Gray) -> None:
    if not np.all(np.isfinite(gray)):
        raise refuse(path, "holds pixels without a finite gray value")
    if not float(gray.min()) < float(gray.max()):
        raise refuse(path, "all pixels have the same gray value; it holds no picture")


def _from_jpeg_or_png(path: Path, content: Bytes) -> tuple[Gray, tuple[Caution, ...]]:
    from PIL import Image, ImageOps

    with (
        guarded(path, "its picture data"),
        Image.open(BytesIO(content.tobytes()), formats=("JPEG", "PNG")) as opened,
    ):
        if opened.width * opened.height > MOST_PIXELS:
            raise refuse(path, f"is too large ({opened.width} × {opened.height} pixels)")
        # Viewers turn pictures as this tag says, and points are clicked in a viewer.
        turned = ImageOps.exif_transpose(opened)
        return _gray_of(turned)


def _gray_of(picture: Image) -> tuple[Gray, tuple[Caution, ...]]:
    if picture.mode in _DEEP_MODES:
        return np.asarray(picture, np.float32), ()
    if picture.mode in ("L", "1", "LA"):
        return np.asarray(picture.convert("L"), np.float32), ()
    channels = np.asarray(picture.convert("RGB"))
    return _luminance(channels), tuple(_color_cautions(channels, 255.0))


def _luminance(channels: NDArray[Any]) -> Gray:
    # Weights of red, green and blue in the gray of ITU-R BT.601, as picture libraries use them.
    weights = np.array([0.299, 0.587, 0.114], np.float32)
    return np.asarray(channels[..., :3].astype(np.float32) @ weights, np.float32)


def _color_cautions(channels: NDArray[Any], white: float) -> Iterator[Caution]:
    spread = np.ptp(channels[..., :3].astype(np.float32), axis=2)
    share = float(np.mean(spread > _COLORED / 255.0 * white))
    if share > 1e-4:
        text = (
            f"{share:.1%} of the picture is colored: marks drawn into it, or a photograph of a "
            "film. Its gray values were made from the colors; keep points clear of marks."
        )
        yield Caution("COLORED_PICTURE", text, "project rule")


def _from_tiff(path: Path) -> tuple[Gray, tuple[Caution, ...]]:
    import tifffile

    with guarded(path, "its TIFF data"), tifffile.TiffFile(path) as file:
        if len(file.pages) != 1:
            raise refuse(path, f"holds {len(file.pages)} pages; a radiograph is one picture")
        page: Any = file.pages[0]
        _require_plausible(path, page)
        values = np.asarray(page.asarray())
        gray, cautions = _tiff_gray(path, values)
        return (-gray if page.photometric.name == "MINISWHITE" else gray), cautions


def _require_plausible(path: Path, page: Any) -> None:
    # The library walks through every part that a header promises, also through billions.
    parts = math.prod(page.chunked) if page.chunked else 0
    plausible = min(page.imagelength, page.imagewidth) > 0 and parts == len(page.dataoffsets)
    if not plausible or page.nbytes > path.stat().st_size * MOST_PACKED:
        raise refuse(path, "has a page whose size does not fit its data")
    if page.imagelength * page.imagewidth > MOST_PIXELS:
        raise refuse(path, f"is too large ({page.imagewidth} × {page.imagelength} pixels)")
    if page.photometric.name == "PALETTE":
        raise refuse(path, "holds a picture with a color table, not gray values")


def _tiff_gray(path: Path, values: NDArray[Any]) -> tuple[Gray, tuple[Caution, ...]]:
    if values.dtype.kind not in "buif":
        raise refuse(path, f"its pixels are of type {values.dtype}, not gray values")
    if values.ndim == 2:
        return np.asarray(values, np.float32), ()
    if values.ndim == 3 and values.shape[2] in (3, 4):
        white = float(np.iinfo(values.dtype).max) if values.dtype.kind in "iu" else 1.0
        return _luminance(values), tuple(_color_cautions(values, white))
    raise refuse(path, f"holds pixels of the shape {values.shape}, not one picture")
