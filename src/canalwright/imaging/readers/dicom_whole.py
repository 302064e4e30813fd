"""Whether a DICOM series is whole: no file cut short, no slice left behind.

Positions show a slice that is missing between others. One that is missing at an end leaves a
smaller volume that looks whole; only what headers say about numbers can tell.
"""

from __future__ import annotations

from collections.abc import Sequence

from canalwright.cautions import Caution
from canalwright.imaging.readers.dicom_headers import DicomImage
from canalwright.imaging.readers.guard import refuse

__all__ = ["missing_slices", "require_whole"]

STEP_AGREEMENT = 0.05
"""Relative difference up to which a stated distance of slices is that of their positions."""

_AGAIN = "Copy or export the series again, or take the file out of the folder."


def require_whole(images: Sequence[DicomImage]) -> None:
    """Refuse headers of which one was cut short, or that lie beside a file that was.

    Parameters
    ----------
    images : sequence of DicomImage
        All that were read, of one series or several.

    Raises
    ------
    UnreadableFile
        If a file beside them is named as a slice but does not even begin as one, or if one does
        not know its series beside others that do.
    """
    read = {image.path for image in images}
    for folder in sorted({path.parent for path in read}):
        for path in sorted(folder.iterdir()):
            if path.suffix.lower() == ".dcm" and path.is_file() and path not in read:
                raise refuse(
                    folder,
                    f"holds {path.name}, which is named a DICOM file but is empty or damaged",
                    _AGAIN,
                )
    known = [bool(image.series_uid) for image in images]
    if any(known) and not all(known):
        raise refuse(
            images[known.index(False)].path,
            "is a damaged DICOM file: it ends before it names its series",
            _AGAIN,
        )


def missing_slices(images: Sequence[DicomImage], step_mm: float) -> tuple[Caution, ...]:
    """Return cautions if headers speak of slices that are not there.

    Parameters
    ----------
    images : sequence of DicomImage
        One series, its slices in files of their own; nothing is said about multi-frame objects,
        whose frames are counted when they are read.
    step_mm : float
        Distance of neighboring slices, from their positions.
    """
    if any(image.frame_count > 1 for image in images):
        return ()
    signs = [*_by_count(images), *_by_number(images), *_by_step(images, step_mm)]
    if not signs:
        return ()
    return (
        Caution(
            "SLICES_MAY_BE_MISSING",
            f"The series has {len(images)} slices, but {'; '.join(signs)}: slices may be missing. "
            "Compare the number of files with the scanner's record.",
            "project rule",
        ),
    )


def _by_count(images: Sequence[DicomImage]) -> list[str]:
    stated = max((image.stated_count for image in images), default=0)
    return [f"its header speaks of {stated}"] if stated > len(images) else []


def _by_number(images: Sequence[DicomImage]) -> list[str]:
    """Look for gaps in the slices' own numbers, and for numbers that begin late."""
    numbers = sorted({image.number for image in images if image.number is not None})
    if len(numbers) != len(images):
        return []
    low, high = numbers[0], numbers[-1]
    if low > 1 or high - low + 1 > len(numbers):
        return [f"they are numbered {low} to {high}"]
    return []


def _by_step(images: Sequence[DicomImage], step_mm: float) -> list[str]:
    for image in images:
        stated = image.step_mm
        if stated is not None and step_mm > (1.0 + STEP_AGREEMENT) * stated > 0.0:
            return [f"it states slices {stated:g} mm apart and they lie {step_mm:.4g} mm apart"]
    return []
