"""Rulers of a radiograph: millimeters per pixel, where from, and how far to be trusted.

A picture is a projection: an object is magnified by how far it lies from the detector. Rulers are
tried in this order, and the first one that is stated is used:

1. Pixel Spacing calibrated on an object of known size in the picture (``FIDUCIAL``);
2. Pixel Spacing corrected for the geometry of the exposure (``GEOMETRY``);
3. Imager Pixel Spacing divided by the estimated magnification, source to detector over source
   to patient;
4. Imager Pixel Spacing alone: a length at the detector, not at the tooth;
5. what the user states: an object of known length, or a scale;
6. none: pixels only.

A user's ruler beside one of 1 to 3 must agree with it; beside 4 it is preferred, for the detector
is not the tooth. Attributes and their meaning follow :cite:`dicomps33`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from canalwright.cautions import Caution
from canalwright.errors import BadInput, MalformedText, OutOfRange
from canalwright.evidence import Evidence, Graded

__all__ = [
    "CLICK_SD_PX",
    "KNOWN_LENGTH_SD_MM",
    "Ruler",
    "RulerOrigin",
    "StatedScale",
    "choose_ruler",
    "known_length_scale",
    "magnification_factor",
    "stated_scale",
    "with_user_ruler",
]

CLICK_SD_PX: Final = Graded(1.0, "px", Evidence.ASSUMED, note="how well a person hits a point")
KNOWN_LENGTH_SD_MM: Final = Graded(
    0.1, "mm", Evidence.ASSUMED, note="how well the length of the object is known"
)

SCALE_LIMITS_MM_PER_PX: Final = (0.002, 0.5)
"""From fine film scans to coarse pictures of panoramic images."""

_SHORTEST_RULER_PX: Final = 20.0
_LARGEST_MAGNIFICATION: Final = 3.0
_AGREE_SHARE: Final = 0.01
_AGREE_SD: Final = 3.0

Point = tuple[float, float]


class RulerOrigin(StrEnum):
    """Where a scale comes from."""

    FIDUCIAL = "Pixel Spacing, calibrated on an object of known size"
    GEOMETRY = "Pixel Spacing, corrected for the geometry of the exposure"
    MAGNIFICATION = "Imager Pixel Spacing divided by the estimated magnification"
    DETECTOR = "Imager Pixel Spacing, at detector, not corrected"
    KNOWN_LENGTH = "object of known length in the picture"
    USER = "stated by the user"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Ruler:
    """A scale with its origin.

    Attributes
    ----------
    scale_mm_per_px : float or None
        None where lengths can only be given in pixels.
    scale_sd_mm_per_px : float or None
        None where it is not known.
    origin : RulerOrigin
    reason : str
        Why there is no scale, for messages.
    cautions : tuple of Caution
    """

    scale_mm_per_px: float | None
    scale_sd_mm_per_px: float | None
    origin: RulerOrigin
    reason: str = ""
    cautions: tuple[Caution, ...] = ()

    @property
    def sd_share(self) -> float:
        """Standard deviation as a share of the scale; 0 where it is not known."""
        if self.scale_mm_per_px is None or self.scale_sd_mm_per_px is None:
            return 0.0
        return self.scale_sd_mm_per_px / self.scale_mm_per_px


@dataclass(frozen=True, slots=True)
class StatedScale:
    """What the header of a radiograph states about its scale.

    Attributes
    ----------
    modality : str
        ``IO``, ``DX``, ``CR``, ``PX``, or empty.
    pixel_spacing_mm, imager_spacing_mm, scanned_spacing_mm : float or None
        Of square pixels.
    calibration_type : str
        ``FIDUCIAL``, ``GEOMETRY``, or empty.
    magnification : float or None
        Estimated Radiographic Magnification Factor.
    source_to_detector_mm, source_to_patient_mm : float or None
    """

    modality: str = ""
    pixel_spacing_mm: float | None = None
    imager_spacing_mm: float | None = None
    scanned_spacing_mm: float | None = None
    calibration_type: str = ""
    magnification: float | None = None
    source_to_detector_mm: float | None = None
    source_to_patient_mm: float | None = None


def magnification_factor(source_to_detector_mm: float, source_to_patient_mm: float) -> float:
    """Return how much larger an object at the patient is drawn on the detector.

    Raises
    ------
    OutOfRange
        If the patient is not between source and detector.
    """
    if not 0.0 < source_to_patient_mm <= source_to_detector_mm < math.inf:
        raise OutOfRange(
            name="distance from the source to the patient",
            got=source_to_patient_mm,
            unit="mm",
            allowed=(0.0, source_to_detector_mm),
            hint="It cannot exceed the distance from the source to the detector.",
        )
    return source_to_detector_mm / source_to_patient_mm


def choose_ruler(stated: StatedScale) -> Ruler:
    """Return the first ruler of the order above that a header states, or one that says why not."""
    cautions = tuple(_panoramic(stated))
    calibrated = stated.calibration_type in ("FIDUCIAL", "GEOMETRY")
    if calibrated and stated.pixel_spacing_mm is not None:
        origin = RulerOrigin[stated.calibration_type]
        return _header_ruler(stated.pixel_spacing_mm, origin, (*_calibrated(origin), *cautions))
    if stated.imager_spacing_mm is None:
        return Ruler(None, None, RulerOrigin.NONE, _why_none(stated), cautions)
    factor, doubts = _magnification(stated)
    cautions += (*_unused_spacing(stated), *doubts)
    if factor is None:
        return _header_ruler(
            stated.imager_spacing_mm, RulerOrigin.DETECTOR, (_AT_DETECTOR, *cautions)
        )
    return _header_ruler(
        stated.imager_spacing_mm / factor,
        RulerOrigin.MAGNIFICATION,
        (_ESTIMATED_MAGNIFICATION, *cautions),
    )


def known_length_scale(
    between_px: tuple[Point, Point],
    length_mm: float,
    *,
    click_sd_px: float = CLICK_SD_PX.value,
    length_sd_mm: float = KNOWN_LENGTH_SD_MM.value,
) -> Ruler:
    """Return the scale from two points on an object of known length.

    With d the distance of the points, the scale is length / d, and its relative variance the sum
    of (length_sd / length)² and 2 (click_sd / d)², for both points are clicked.

    Parameters
    ----------
    between_px : tuple of two (x, y)
        The ends of the object in the picture.
    length_mm : float
        1 to 100.
    click_sd_px : float
        Standard deviation of a click along the object.
    length_sd_mm : float
        Standard deviation of the known length.

    Raises
    ------
    OutOfRange
        If the points are closer than 20 px, or the scale is impossible for a radiograph.
    """
    _require("known length", length_mm, "mm", (1.0, 100.0))
    _require("standard deviation of the known length", length_sd_mm, "mm", (0.0, length_mm / 3.0))
    _require("standard deviation of a click", click_sd_px, "px", (0.0, 50.0))
    (x0, y0), (x1, y1) = between_px
    apart = math.hypot(x1 - x0, y1 - y0)
    _require(
        "distance between the two points of the known length",
        apart,
        "px",
        (_SHORTEST_RULER_PX, None),
        "Take the longest object of known length, and its two ends.",
    )
    scale = length_mm / apart
    _require_scale(scale)
    spread = math.hypot(length_sd_mm / length_mm, math.sqrt(2.0) * click_sd_px / apart)
    return Ruler(scale, scale * spread, RulerOrigin.KNOWN_LENGTH, cautions=(_SAME_PLANE,))


def stated_scale(scale_mm_per_px: float, scale_sd_mm_per_px: float | None = None) -> Ruler:
    """Return a scale as the user states it.

    Raises
    ------
    OutOfRange
        If it is impossible for a radiograph, 0.002 to 0.5 mm per pixel.
    """
    _require_scale(scale_mm_per_px)
    if scale_sd_mm_per_px is None:
        return Ruler(scale_mm_per_px, None, RulerOrigin.USER, cautions=(_AS_STATED,))
    _require(
        "standard deviation of the scale", scale_sd_mm_per_px, "mm per px", (0, scale_mm_per_px / 3)
    )
    return Ruler(scale_mm_per_px, scale_sd_mm_per_px, RulerOrigin.USER)


def with_user_ruler(path: str, header: Ruler, user: Ruler | None) -> Ruler:
    """Return the ruler to use where the user states one too.

    Raises
    ------
    MalformedText
        If the user's contradicts a header's that holds at the tooth, by more than 1 % and more
        than three of its own standard deviations.
    """
    if user is None or user.scale_mm_per_px is None:
        return header
    if header.scale_mm_per_px is None:
        kept = header.cautions
        return Ruler(user.scale_mm_per_px, user.scale_sd_mm_per_px, user.origin, "",
                     (*user.cautions, *kept))  # fmt: skip
    off = user.scale_mm_per_px / header.scale_mm_per_px - 1.0
    if header.origin is RulerOrigin.DETECTOR:
        return _instead_of_detector(header, user, off)
    if abs(off) > max(_AGREE_SHARE, _AGREE_SD * user.sd_share):
        raise MalformedText(
            name="scale",
            got=f"{user.scale_mm_per_px:.5g} mm per px",
            expected=(
                f"that of {path}, {header.scale_mm_per_px:.5g} mm per px ({header.origin}); they "
                f"differ by {100.0 * off:+.1f} %"
            ),
            hint="Leave out yours, or find out which of the two is wrong.",
        )
    return header


def _instead_of_detector(header: Ruler, user: Ruler, off: float) -> Ruler:
    text = (
        f"The file states {header.scale_mm_per_px:.5g} mm per px at the detector, not corrected; "
        f"the scale used here differs from it by {100.0 * off:+.1f} %."
    )
    caution = Caution("DETECTOR_SCALE_NOT_USED", text, "project rule")
    left = tuple(c for c in header.cautions if c != _AT_DETECTOR)
    return Ruler(user.scale_mm_per_px, user.scale_sd_mm_per_px, user.origin, "",
                 (*user.cautions, caution, *left))  # fmt: skip


def _header_ruler(scale: float, origin: RulerOrigin, cautions: tuple[Caution, ...]) -> Ruler:
    low, high = SCALE_LIMITS_MM_PER_PX
    if not low <= scale <= high:
        reason = f"its header states {scale:g} mm per pixel, which is impossible for a radiograph"
        return Ruler(None, None, RulerOrigin.NONE, reason)
    return Ruler(scale, None, origin, cautions=cautions)


def _magnification(stated: StatedScale) -> tuple[float | None, tuple[Caution, ...]]:
    """Return the estimated magnification, or None, and what is doubtful about it."""
    factor, distances = stated.magnification, _from_distances(stated)
    possible = factor is None or 1.0 <= factor <= _LARGEST_MAGNIFICATION
    if not possible:
        text = f"The stated magnification {factor:g} is impossible and was not used."
        return distances, (Caution("MAGNIFICATION_IMPOSSIBLE", text, "project rule"),)
    if factor is None or distances is None:
        return factor or distances, ()
    if abs(distances / factor - 1.0) <= _AGREE_SHARE:
        return factor, ()
    text = (
        f"The stated magnification {factor:.3f} and the one from the stated distances, "
        f"{distances:.3f}, disagree; the stated one is used."
    )
    return factor, (Caution("MAGNIFICATION_DISAGREES", text, "project rule"),)


def _from_distances(stated: StatedScale) -> float | None:
    if stated.source_to_detector_mm is None or stated.source_to_patient_mm is None:
        return None
    try:
        factor = magnification_factor(stated.source_to_detector_mm, stated.source_to_patient_mm)
    except BadInput:
        return None
    return factor if factor <= _LARGEST_MAGNIFICATION else None


def _why_none(stated: StatedScale) -> str:
    if stated.pixel_spacing_mm is not None:
        return (
            f"its header states a Pixel Spacing of {stated.pixel_spacing_mm:g} mm but not how it "
            "was calibrated"
        )
    if stated.scanned_spacing_mm is not None:
        return (
            f"its header states {stated.scanned_spacing_mm:g} mm per pixel of the scanned film, "
            "which is no scale at the tooth"
        )
    return "its header states no pixel size"


def _unused_spacing(stated: StatedScale) -> Iterator[Caution]:
    pixel, imager = stated.pixel_spacing_mm, stated.imager_spacing_mm
    if pixel is None or imager is None or abs(pixel / imager - 1.0) <= 1e-6:
        return
    text = (
        f"The header also states a Pixel Spacing of {pixel:g} mm without saying how it was "
        "calibrated; it was not used."
    )
    yield Caution("PIXEL_SPACING_NOT_USED", text, "dicomps33")


def _panoramic(stated: StatedScale) -> Iterator[Caution]:
    if stated.modality == "PX":
        text = (
            "A panoramic picture: magnification changes along it and differs across and along the "
            "teeth; no single scale holds."
        )
        yield Caution("PANORAMIC", text, "common practice")


def _calibrated(origin: RulerOrigin) -> Iterator[Caution]:
    where = (
        "in the plane of the object it was calibrated on"
        if origin is RulerOrigin.FIDUCIAL
        else "at the depth that was assumed for the patient"
    )
    text = f"The scale of the file holds {where}; its error is not stated."
    yield Caution("SCALE_HOLDS_IN_ITS_PLANE", text, "dicomps33")


def _require_scale(scale: float) -> None:
    _require(
        "scale",
        scale,
        "mm per px",
        SCALE_LIMITS_MM_PER_PX,
        "Dental detectors have pixels of about 0.02 mm.",
    )


def _require(
    name: str,
    value: float,
    unit: str,
    allowed: tuple[float | None, float | None],
    hint: str = "",
) -> None:
    low, high = allowed
    if not (value >= (low or 0.0) and value <= (math.inf if high is None else high)):
        raise OutOfRange(name=name, got=value, unit=unit, allowed=allowed, hint=hint)


_AT_DETECTOR: Final = Caution(
    "SCALE_AT_DETECTOR",
    "Lengths are those at the detector, not corrected for magnification: at the tooth they are "
    "shorter, by the distance of tooth and detector over that of tooth and source.",
    "dicomps33",
)
_ESTIMATED_MAGNIFICATION: Final = Caution(
    "MAGNIFICATION_ESTIMATED",
    "The scale rests on an estimated magnification for the whole patient; the tooth itself may "
    "lie nearer or farther.",
    "dicomps33",
)
_SAME_PLANE: Final = Caution(
    "KNOWN_LENGTH_PLANE",
    "The scale holds for the plane of the object of known length, and if the object lay parallel "
    "to the detector: tilted, it looks shorter, and every length here comes out too long.",
    "project rule",
)
_AS_STATED: Final = Caution(
    "SCALE_AS_STATED",
    "The scale is the user's, with no error stated; lengths carry the error of the clicks only.",
    "project rule",
)
