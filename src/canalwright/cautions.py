"""Cautions: what a reader must know before leaning on a result, carried to screen, PDF and JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

__all__ = ["CLINICAL_CAUTIONS", "CLINICAL_IN_SHORT", "Caution", "labelled", "merged"]


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution.

    Attributes
    ----------
    code : str
        Stable name in capitals, for machines (``EXTRAPOLATED_STRAIN``).
    text : str
        A sentence for people, with the value and its unit.
    source : str
        Key of the bibliography, or where the statement comes from in words.
    """

    code: str
    text: str
    source: str = ""


CLINICAL_CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "ESTIMATE_NOT_MEASUREMENT",
        "Computed values are estimates from an image and from models; they do not replace "
        "measurement in the tooth (electronic and radiographic working length, gauging).",
        "project rule",
    ),
    Caution(
        "LICENSED_PRACTICE",
        "For licensed clinicians and supervised students. Local codes, the makers' instructions "
        "for use and clinical judgment come first.",
        "project rule",
    ),
    Caution(
        "NOT_A_MEDICAL_DEVICE",
        "Not a certified medical device; do not use as the only basis of a treatment decision.",
        "project rule",
    ),
)


CLINICAL_IN_SHORT = (
    "Estimates from an image and from models, not measurements in the tooth. For licensed "
    "clinicians and supervised students; the makers' instructions and clinical judgment come "
    "first. Not a medical device."
)
"""The same for people who read them under every result."""


def merged(*groups: Iterable[Caution]) -> tuple[Caution, ...]:
    """Return the cautions of all groups in order, each distinct one once."""
    return tuple(dict.fromkeys(caution for group in groups for caution in group))


def labelled(groups: Mapping[str, Sequence[Caution]]) -> tuple[Caution, ...]:
    """Return the cautions of all groups; one that not all share names its group."""
    common = set.intersection(*(set(cautions) for cautions in groups.values())) if groups else set()
    return tuple(
        caution if caution in common else replace(caution, text=f"({label}) {caution.text}")
        for label, cautions in groups.items()
        for caution in cautions
    )
