"""The scan behind a canal, for the straightened image, where it lies in the shelf's folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from canalwright.anatomy.canal import Canal
from canalwright.errors import CanalwrightError

if TYPE_CHECKING:
    from canalwright.imaging.straightened import StraightenedImage

__all__ = ["ScanImages"]


# What is read for one picture while a page waits.
_LARGEST_SCAN_BYTES: Final = 600_000_000


class ScanImages:
    """Straightened images, each made once.

    A document may name any file as its scan; only one that lies beside the document is opened,
    and only if its digest is the one the canal was measured from.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder.resolve()
        self._made: dict[tuple[str, str], StraightenedImage | None] = {}

    def along(self, case_key: str, path: Path, canal: Canal) -> StraightenedImage | None:
        """Return the scan along a canal, or None if the scan is not here."""
        key = (case_key, canal.name)
        if key not in self._made:
            self._made[key] = self._made_from(path, canal)
        return self._made[key]

    def _made_from(self, path: Path, canal: Canal) -> StraightenedImage | None:
        origin = canal.provenance
        if not origin.source or not origin.digest:
            return None
        place = path.resolve().parent / Path(origin.source).name
        if not (place.exists() and place.resolve().is_relative_to(self._folder)):
            return None
        if _size_bytes(place) > _LARGEST_SCAN_BYTES:
            return None
        return _straightened(place, canal)


def _size_bytes(place: Path) -> int:
    files = place.iterdir() if place.is_dir() else (place,)
    return sum(file.stat().st_size for file in files if file.is_file())


def _straightened(place: Path, canal: Canal) -> StraightenedImage | None:
    from canalwright.imaging.readers import read_scan
    from canalwright.imaging.straightened import straightened_image

    try:
        scan = read_scan(place, spacing_mm=canal.provenance.spacing_mm)
        if scan.digest != canal.provenance.digest:
            return None
        return straightened_image(scan, canal.centerline_mm, canal.level_mm, canal.direction0)
    except (CanalwrightError, OSError):
        # The image is an extra: the canal stands without it.
        return None
