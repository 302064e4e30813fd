"""Work on scans, done in a process of its own that keeps the last scan it has read."""

from __future__ import annotations

import tempfile
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from canalwright.anatomy.canal import Canal
from canalwright.cautions import Caution
from canalwright.errors import CanalwrightError
from canalwright.web.volumes import ShownVolume, shown_volume

if TYPE_CHECKING:
    from canalwright.imaging.scan import Scan
    from canalwright.imaging.straightened import StraightenedImage
    from canalwright.reports.tables import TextTable

__all__ = [
    "Measured",
    "ScanSource",
    "along",
    "described",
    "document",
    "measure_one",
    "proposed",
    "ready",
    "values",
]

Point = tuple[float, float, float]
Progress = Callable[[float], None]

_IMAGES_KEPT: Final = 24
# Share of the time for proposals that passes before the first canal is measured.
_LOOKING: Final = 0.6
# What is read for one picture while a page waits.
_LARGEST_SCAN_BYTES: Final = 600_000_000


@dataclass(frozen=True, slots=True)
class ScanSource:
    """Where the files of a scan lie.

    Attributes
    ----------
    id : str
        Of the scan in the records.
    label : str
    files : tuple of (str, Path)
        Name under which a file is read, and where it is.
    size_bytes : int
    spacing_mm : tuple of float or None
        Voxel size along (z, y, x) where somebody stated it.
    """

    id: str
    label: str
    files: tuple[tuple[str, Path], ...]
    size_bytes: int
    spacing_mm: Point | None = None


@dataclass(frozen=True, eq=False)
class Measured:
    """A canal as the page shows it, and the points it was measured from."""

    canal: Canal
    orifice: Point
    terminus: Point
    through: tuple[Point, ...]
    scene: dict[str, Any]
    table: TextTable
    summary: str


_scans: dict[tuple[str, Point | None], Scan] = {}
_images: OrderedDict[tuple[str, str], StraightenedImage | None] = OrderedDict()


def scan_of(source: ScanSource) -> Scan:
    """Return a scan, read again only if it was not the last one.

    Raises
    ------
    CanalwrightError
        If its files are no scan that can be measured.
    """
    from canalwright.imaging.readers import read_scan

    key = (source.id, source.spacing_mm)
    if key not in _scans:
        _scans.clear()
        with tempfile.TemporaryDirectory(prefix="canalwright-scan-") as folder:
            for name, path in source.files:
                (Path(folder) / name).symlink_to(path.resolve())
            only = Path(folder) / source.files[0][0]
            scan = read_scan(
                only if len(source.files) == 1 else folder, spacing_mm=source.spacing_mm
            )
        _scans[key] = replace(scan, source=source.label)
    return _scans[key]


def ready(source: ScanSource) -> None:
    """Load what measuring needs, before somebody waits for it."""
    import canalwright.imaging.measure
    import canalwright.imaging.straightened
    import canalwright.reports.screen_tracks  # noqa: F401

    scan_of(source)


def described(source: ScanSource) -> ShownVolume:
    """Return how a scan is drawn, without its values."""
    shown = shown_volume(scan_of(source), "")
    return replace(shown, values=np.zeros((0, 0, 0), np.uint16), size=shown.size)


def values(source: ScanSource) -> bytes:
    """Return the values that the browser draws."""
    return shown_volume(scan_of(source), "").values.tobytes()


def measure_one(
    source: ScanSource,
    name: str,
    orifice: Point,
    terminus: Point,
    through: tuple[Point, ...] = (),
) -> Measured:
    """Measure a canal between two points, led through others where somebody corrected it."""
    return _measured(scan_of(source), name, orifice, terminus, through)


def proposed(source: ScanSource, progress: Progress | None = None) -> tuple[Measured, ...]:
    """Measure every canal that is proposed in the whole tooth."""
    from canalwright.imaging.propose import propose_canals

    tell = progress or (lambda _share: None)
    scan = scan_of(source)
    made = []
    found = propose_canals(scan, progress=lambda _step, share: tell(_LOOKING * share))
    for at, one in enumerate(found, 1):
        ends = _point(one.orifice_mm), _point(one.terminus_mm)
        made.append(_measured(scan, one.name, *ends, (), one.cautions))
        tell(_LOOKING + (1.0 - _LOOKING) * at / len(found))
    return tuple(made)


def document(source: ScanSource, canals: tuple[Canal, ...]) -> str:
    """Return measured canals as a ``canals@1`` document."""
    from canalwright.exchange.canals_out import canals_document
    from canalwright.exchange.document import document_text
    from canalwright.exchange.inputs import scan_input
    from canalwright.imaging.joins import with_joins

    inputs = {"scan": scan_input(scan_of(source))}
    return document_text(canals_document(with_joins(canals), inputs))


def along(sources: tuple[ScanSource, ...], canal: Canal) -> StraightenedImage | None:
    """Return the scan along a canal, or None if the scan it was measured from is not here."""
    if not canal.provenance.digest or not sources:
        return None
    key = (canal.provenance.digest, f"{canal.name} {canal.length_mm} {sources[0].id}")
    if key not in _images:
        _images[key] = _along(sources, canal)
        while len(_images) > _IMAGES_KEPT:
            _images.popitem(last=False)
    return _images[key]


def _along(sources: tuple[ScanSource, ...], canal: Canal) -> StraightenedImage | None:
    from canalwright.imaging.straightened import straightened_image

    for source in sources:
        if source.size_bytes > _LARGEST_SCAN_BYTES:
            continue
        try:
            scan = _scan_as_measured(source, canal)
            if scan.digest == canal.provenance.digest:
                return straightened_image(
                    scan, canal.centerline_mm, canal.level_mm, canal.direction0
                )
        except CanalwrightError:
            # The image is an extra: the canal stands without it.
            continue
    return None


def _scan_as_measured(source: ScanSource, canal: Canal) -> Scan:
    for (id_, _), scan in _scans.items():
        if id_ == source.id and scan.digest == canal.provenance.digest:
            return scan
    return scan_of(replace(source, spacing_mm=canal.provenance.spacing_mm))


def _measured(
    scan: Scan,
    name: str,
    orifice: Point,
    terminus: Point,
    through: tuple[Point, ...],
    cautions: tuple[Caution, ...] = (),
) -> Measured:
    from canalwright.imaging.measure import measure_canal
    from canalwright.imaging.straightened import straightened_image
    from canalwright.planning.situation import canal_curvature_per_mm
    from canalwright.reports.screen_tracks import canal_scene, picture_of
    from canalwright.reports.tables import levels_table

    canal = measure_canal(scan, name, orifice, terminus, through_mm=through)
    canal = canal.with_cautions(*cautions)
    image = straightened_image(scan, canal.centerline_mm, canal.level_mm, canal.direction0)
    scene = canal_scene(
        canal, canal_curvature_per_mm(canal), image=picture_of(image), key=canal.name
    )
    narrow, wide = float(canal.narrow_mm.min()), float(canal.wide_mm.max())
    summary = f"{canal.length_mm:.1f} mm long, {narrow:.2f} to {wide:.2f} mm wide"
    return Measured(canal, orifice, terminus, through, scene, levels_table(canal), summary)


def _point(given: Any) -> Point:
    x, y, z = (float(value) for value in given)
    return x, y, z
