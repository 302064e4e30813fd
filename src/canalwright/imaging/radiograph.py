"""`Radiograph`: a picture of teeth, bright where they are dense, with its ruler if it has one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from canalwright.cautions import Caution
from canalwright.errors import MissingScale, OutOfRange
from canalwright.imaging.rulers import Ruler, RulerOrigin, with_user_ruler

__all__ = ["Radiograph", "read_radiograph"]

Floats = NDArray[np.float64]

_SMALLEST_PX = 32


@dataclass(frozen=True, eq=False)
class Radiograph:
    """A two-dimensional X-ray picture.

    Attributes
    ----------
    pixels : ndarray of float32, shape (ny, nx)
        Gray values indexed ``[y, x]``, larger where more was absorbed: enamel and dentin bright,
        canals dark. Pixels are square; the value belongs to the pixel center.
    ruler : Ruler
    source : str
        Path the picture was read from, or the name of a generator.
    digest : str
        SHA-256 of the file, hexadecimal.
    invented : bool
        True for phantoms.
    cautions : tuple of Caution
        Without those of the ruler.
    """

    pixels: NDArray[np.float32]
    ruler: Ruler
    source: str = ""
    digest: str = ""
    invented: bool = False
    cautions: tuple[Caution, ...] = ()

    def __post_init__(self) -> None:
        smallest = min(self.pixels.shape) if self.pixels.ndim == 2 else 0
        if smallest < _SMALLEST_PX:
            raise OutOfRange(
                name="shorter side of the radiograph",
                got=smallest,
                unit="px",
                allowed=(_SMALLEST_PX, None),
            )

    @property
    def scale_mm_per_px(self) -> float | None:
        """Size of a pixel at the tooth, or None where lengths can only be given in pixels."""
        return self.ruler.scale_mm_per_px

    @property
    def scale_sd_mm_per_px(self) -> float | None:
        """Standard deviation of the scale, or None where it is not known."""
        return self.ruler.scale_sd_mm_per_px

    @property
    def scale_origin(self) -> RulerOrigin:
        """Where the scale comes from."""
        return self.ruler.origin

    @property
    def shape(self) -> tuple[int, int]:
        """Number of pixels along (y, x)."""
        ny, nx = self.pixels.shape
        return ny, nx

    def require_scale(self) -> float:
        """Return the scale in mm per pixel.

        Raises
        ------
        MissingScale
            If there is none.
        """
        if self.ruler.scale_mm_per_px is None:
            raise MissingScale(path=self.source, reason=self.ruler.reason)
        return self.ruler.scale_mm_per_px

    def require_inside(self, name: str, points_px: ArrayLike) -> Floats:
        """Return points (n, 2) as an array if all of them lie in the picture.

        Raises
        ------
        OutOfRange
            If one does not, or is not finite.
        """
        points = np.atleast_2d(np.asarray(points_px, float))
        for at, point in enumerate(points, start=1):
            for axis, value, count in zip("xy", point, self.shape[::-1], strict=True):
                if not -0.5 <= value <= count - 0.5:
                    raise OutOfRange(
                        name=f"{axis} of point {at} of {name}",
                        got=float(value),
                        unit="px",
                        allowed=(0.0, count - 1.0),
                        hint="Give x,y in pixels of this picture, from its upper left corner.",
                    )
        return points

    def with_ruler(self, user: Ruler | None) -> Radiograph:
        """Return the radiograph with a ruler of the user's; see `with_user_ruler`.

        Raises
        ------
        MalformedText
            If it contradicts the header's.
        """
        return replace(self, ruler=with_user_ruler(self.source, self.ruler, user))


def read_radiograph(path: str | Path, *, inverted: bool = False) -> Radiograph:
    """Read a radiograph: DICOM (intra-oral, DX, CR), JPEG, PNG or TIFF, told by the content.

    Parameters
    ----------
    path : str or Path
    inverted : bool
        Whether dense parts are dark in the picture, as on a positive print. DICOM files state it.

    Returns
    -------
    Radiograph
        Of a DICOM header only the gray values and what concerns the scale are kept. The resolution
        (dpi) in a picture file concerns printing and is never used.

    Raises
    ------
    UnreadableFile
        If the path is missing, damaged, or not one picture in gray values.
    OutOfRange
        If the picture is too small.
    """
    from canalwright.imaging.radiograph_readers import read_picture

    content = read_picture(Path(path).expanduser())
    gray = -content.gray if inverted else content.gray
    return Radiograph(
        pixels=gray,
        ruler=content.ruler,
        source=str(path),
        digest=content.digest,
        invented=content.invented,
        cautions=content.cautions,
    )
