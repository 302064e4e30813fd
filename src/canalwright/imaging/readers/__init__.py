"""Readers that turn files and folders into a `Scan`, or say in one sentence why they cannot."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from canalwright.imaging.readers.detect import detected
from canalwright.imaging.readers.grid import Steps
from canalwright.imaging.readers.guard import refuse
from canalwright.imaging.scan import Scan

__all__ = ["read_scan"]


def read_scan(
    path: str | Path,
    *,
    spacing_mm: Steps | None = None,
    series: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> Scan:
    """Read a volume from a file or folder; its format is told from the content, not the name.

    DICOM (a folder, one file of a series, or a multi-frame object), NRRD, NIfTI, MetaImage,
    multi-page TIFF, and folders of TIFF or PNG slices.

    Parameters
    ----------
    path : str or Path
    spacing_mm : tuple of float, optional
        Voxel size along (z, y, x), for files that state none that can be trusted. Beside a
        trustworthy header it may differ by at most 1 %, and the header's value is used.
    series : str, optional
        Which of several DICOM series in a folder: its number, or the end of its identifier.
    progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    Scan
        Voxels in native byte order, ``[z, y, x]``, in LPS millimeters where the file states an
        orientation, else with index × spacing as coordinates. Of DICOM headers only geometry
        and gray values are kept.

    Raises
    ------
    MissingSpacing
        If no trustworthy voxel size is stated and none is given.
    UnreadableFile
        If the path is missing, damaged, no volume, or not one even rectangular grid.
    UnknownName
        If the series asked for is not in the folder.
    OutOfRange
        If a voxel size is impossible or the volume too small.
    """
    place = Path(path).expanduser()
    try:
        _require_readable_kind(place)
        # Damaged headers hold any number there is; each is checked, none is worth a warning.
        with np.errstate(over="ignore", invalid="ignore"):
            return detected(place)(spacing_mm, series, progress)
    except MemoryError as error:
        raise refuse(place, "is too large for the memory of this computer") from error
    except OSError as error:
        raise refuse(place, f"cannot be read ({error.strerror or error})") from error


def _require_readable_kind(place: Path) -> None:
    if not place.exists():
        raise refuse(place, "does not exist")
    # Devices and pipes may never end.
    if not (place.is_file() or place.is_dir()):
        raise refuse(place, "is neither a file nor a folder")
