"""Scans of cases for the pages: where they lie, how they are drawn; read in a process of its own.

The visitor's right to a scan is asked for every time its place is looked up.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from canalwright.errors import CanalwrightError
from canalwright.records.access.roles import Operation
from canalwright.web import jobs, scan_jobs
from canalwright.web.cabinet import ScanGroup, scan_groups
from canalwright.web.scan_jobs import ScanSource
from canalwright.web.volumes import ShownVolume

if TYPE_CHECKING:
    from canalwright.web.desk import OpenCase

__all__ = ["ScanRoom"]

Spacing = tuple[float, float, float]


class ScanRoom:
    """Where the scans of cases lie, and the voxel sizes that visitors stated."""

    def __init__(self) -> None:
        self._spacing_mm: dict[str, Spacing] = {}

    def give_spacing(self, group_id: str, spacing_mm: Spacing) -> None:
        """Take the voxel size of a scan that states none."""
        self._spacing_mm[group_id] = spacing_mm

    def source(self, case: OpenCase, group: ScanGroup) -> ScanSource:
        """Return where the files of a scan lie.

        Raises
        ------
        CanalwrightError
            If the visitor may not read them.
        """
        with case.gate.reading(Operation.FILE_READ, case.id, group.id) as reading:
            files = tuple((one.name, reading.files.path(one.sha256)) for one in group.files)
        size_bytes = sum(one.size_bytes for one in group.files)
        stated = self._spacing_mm.get(group.id)
        return ScanSource(group.id, group.label, files, size_bytes, stated)

    def sources(self, case: OpenCase) -> tuple[ScanSource, ...]:
        """Return the scans of a case, the last first; none that the visitor may not read."""
        try:
            return tuple(self.source(case, one) for one in scan_groups(case.file.attachments))
        except CanalwrightError:
            # For pictures only: the canal stands without them.
            return ()

    def shown(self, case: OpenCase, group: ScanGroup) -> ShownVolume:
        """Return how the browser draws a scan; it fetches the values by the address.

        Raises
        ------
        CanalwrightError
            If its files are no scan that can be measured.
        """
        source = self.source(case, group)
        shown = jobs.do(scan_jobs.described, source, room=source.id)
        return replace(shown, address=f"/case/{case.id}/volume/{group.id}")

    def values(self, case: OpenCase, group: ScanGroup) -> bytes:
        """Return the values that the browser draws."""
        source = self.source(case, group)
        return jobs.do(scan_jobs.values, source, room=source.id)
