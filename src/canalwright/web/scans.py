"""Scans in memory: the last one looked at, as drawn and as measured, and images along canals."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING, Final

from canalwright.anatomy.canal import Canal
from canalwright.errors import CanalwrightError
from canalwright.web.cabinet import ScanGroup, open_scan, scan_groups
from canalwright.web.volumes import ShownVolume, shown_volume

if TYPE_CHECKING:
    from canalwright.imaging.scan import Scan
    from canalwright.imaging.straightened import StraightenedImage
    from canalwright.web.desk import OpenCase

__all__ = ["ScanRoom"]

Spacing = tuple[float, float, float]

_SCANS_KEPT: Final = 1
_IMAGES_KEPT: Final = 24
# What is read for one picture while a page waits.
_LARGEST_SCAN_BYTES: Final = 600_000_000


class ScanRoom:
    """Scans that were read, by their group; few are kept, for they are large."""

    def __init__(self) -> None:
        self._scans: OrderedDict[tuple[str, Spacing | None], Scan] = OrderedDict()
        self._images: OrderedDict[tuple[str, str], StraightenedImage | None] = OrderedDict()
        self._spacing_mm: dict[str, Spacing] = {}
        self._lock = threading.Lock()

    def spacing_mm(self, group_id: str) -> Spacing | None:
        """Return the voxel size that a visitor gave for a scan without one."""
        return self._spacing_mm.get(group_id)

    def give_spacing(self, group_id: str, spacing_mm: Spacing) -> None:
        """Take the voxel size of a scan that states none."""
        self._spacing_mm[group_id] = spacing_mm

    def scan(self, case: OpenCase, group: ScanGroup, spacing_mm: Spacing | None = None) -> Scan:
        """Return a scan of a case; the visitor's right to it is asked every time.

        Raises
        ------
        CanalwrightError
            If its files are no scan that can be measured.
        """
        key = (group.id, spacing_mm)
        with self._lock:
            if key not in self._scans:
                self._scans[key] = open_scan(case.gate, case.id, group, spacing_mm)
            self._scans.move_to_end(key)
            while len(self._scans) > _SCANS_KEPT:
                self._scans.popitem(last=False)
            return self._scans[key]

    def shown(
        self, case: OpenCase, group: ScanGroup, spacing_mm: Spacing | None = None
    ) -> ShownVolume:
        """Return a scan as the browser draws it."""
        address = f"/case/{case.id}/volume/{group.id}"
        return shown_volume(self.scan(case, group, spacing_mm), address)

    def along(self, case: OpenCase, canal: Canal) -> StraightenedImage | None:
        """Return the scan along a canal, or None if the scan it was measured from is not here."""
        key = (canal.provenance.digest, f"{canal.name} {canal.length_mm} {case.id}")
        if not canal.provenance.digest:
            return None
        if key not in self._images:
            self._images[key] = self._made(case, canal)
            while len(self._images) > _IMAGES_KEPT:
                self._images.popitem(last=False)
        return self._images[key]

    def _made(self, case: OpenCase, canal: Canal) -> StraightenedImage | None:
        from canalwright.imaging.straightened import straightened_image

        for group in scan_groups(case.file.attachments):
            if sum(one.size_bytes for one in group.files) > _LARGEST_SCAN_BYTES:
                continue
            try:
                scan = self.scan(case, group, canal.provenance.spacing_mm)
                if scan.digest == canal.provenance.digest:
                    return straightened_image(
                        scan, canal.centerline_mm, canal.level_mm, canal.direction0
                    )
            except CanalwrightError:
                # The image is an extra: the canal stands without it.
                continue
        return None
