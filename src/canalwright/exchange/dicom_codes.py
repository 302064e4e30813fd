"""Codes in DICOM objects: from the standard's dictionary where there are any, else our own.

Standard codes are looked up by keyword in the concept dictionary that pydicom generates from PS3.16
of the standard; none is typed here. What that dictionary has no concept for is coded in a private
scheme, ``99CANALWRIGHT``, whose name begins with 99 as the standard asks of private ones.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from canalwright.errors import OutOfRange, UnknownName

if TYPE_CHECKING:
    from pydicom.dataset import Dataset
    from pydicom.sr.coding import Code

__all__ = [
    "PRIVATE_CODES",
    "PRIVATE_SCHEME",
    "private_code",
    "require_known_codes",
    "scheme_identification",
    "standard_code",
    "tooth_code",
]

PRIVATE_SCHEME: Final = "99CANALWRIGHT"

PRIVATE_CODES: Final = {
    "CANAL": "Root canal lumen",
    "PULP": "Pulp space: union of the measured root canals",
    "TRACED": "Along the centerline from the terminus to the orifice",
    "ESTIMATED": "Estimated from gray values of an image, not in the tooth",
    "SCHNEIDER": "Root canal curvature, angle by the method of Schneider 1971",
    "PRUETT-ANGLE": "Root canal curvature, angle of the arc (Pruett 1997)",
    "PRUETT-RADIUS": "Root canal curvature, radius of the arc (Pruett 1997)",
    "MAX-CURVATURE": "Root canal curvature, largest along the centerline",
    "DENTIN-MIN": "Thinnest dentin beside the root canal",
    **{
        f"DIAMETER-{level}": f"Root canal diameter of equal area {level} mm from the terminus"
        for level in range(31)
    },
}
"""Our own codes; a meaning never changes once it was written."""

_QUADRANTS = {
    1: "PermanentMaxillaryRight",
    2: "PermanentMaxillaryLeft",
    3: "MandibularLeft",
    4: "MandibularRight",
}
_NAMES = {
    1: "CentralIncisorTooth",
    2: "LateralIncisorTooth",
    3: "CanineTooth",
    4: "FirstPremolarTooth",
    5: "SecondPremolarTooth",
    6: "FirstMolarTooth",
    7: "SecondMolarTooth",
    8: "ThirdMolarTooth",
}
# A keyword of the dictionary that does not follow the pattern of the others.
_ODD = {"MandibularLeftLateralIncisorTooth": "MandibularLeftLateralTooth"}


def standard_code(keyword: str, scheme: str = "SCT") -> Code:
    """Return a concept of the standard's dictionary by its keyword."""
    from pydicom.sr.codedict import codes

    code: Code = getattr(getattr(codes, scheme), keyword)
    return code


def private_code(value: str) -> Code:
    """Return one of our own codes.

    Raises
    ------
    UnknownName
        If there is none with this value.
    """
    from pydicom.sr.coding import Code

    if value not in PRIVATE_CODES:
        raise UnknownName(kind="code", got=value, known=tuple(PRIVATE_CODES))
    return Code(value, PRIVATE_SCHEME, PRIVATE_CODES[value])


def tooth_code(tooth: int | None) -> Code:
    """Return the standard's code of a permanent tooth in ISO 3950 numbers, or of any tooth.

    Raises
    ------
    OutOfRange
        If the number is none of a permanent tooth.
    """
    if tooth is None:
        return standard_code("Tooth")
    quadrant, position = divmod(tooth, 10)
    if quadrant not in _QUADRANTS or position not in _NAMES:
        raise OutOfRange(
            name="number of a permanent tooth",
            got=tooth,
            unit="",
            allowed=(11, 48),
            source="iso3950",
            hint="Two digits: quadrant 1 to 4, then position 1 to 8.",
        )
    keyword = _QUADRANTS[quadrant] + _NAMES[position]
    return standard_code(_ODD.get(keyword, keyword))


def scheme_identification() -> Dataset:
    """Return what tells readers whose private scheme ours is."""
    from pydicom.dataset import Dataset

    item = Dataset()
    item.CodingSchemeDesignator = PRIVATE_SCHEME
    item.CodingSchemeName = "Canalwright measurements of root canals (private, not registered)"
    item.CodingSchemeResponsibleOrganization = "Canalwright"
    return item


@dataclass(frozen=True, slots=True)
class _Found:
    value: str
    scheme: str


def require_known_codes(dataset: Dataset) -> None:
    """Check every code of an object against the standard's dictionary, UCUM units and our own.

    Raises
    ------
    UnknownName
        If a code is in none of them.
    """
    known = _dictionary()
    for code in _codes(dataset):
        if code.scheme == PRIVATE_SCHEME:
            private_code(code.value)
        else:
            _require(code, _OTHER.get(code.scheme) or known.get(code.scheme, frozenset()))


# Units of measurements and the language of the text; the dictionary has neither.
_OTHER: Final = {
    "UCUM": frozenset({"mm", "mm2", "mm3", "deg", "/mm", "1"}),
    "RFC5646": frozenset({"en-US"}),
}


def _require(code: _Found, known: frozenset[str]) -> None:
    if code.value not in known:
        raise UnknownName(
            kind=f"code in the scheme {code.scheme or '(none)'}",
            got=code.value,
            known=tuple(sorted(known)),
        )


def _dictionary() -> dict[str, frozenset[str]]:
    from pydicom.sr._concepts_dict import concepts

    known: Any = concepts
    return {
        scheme: frozenset(value for named in names.values() for value in named)
        for scheme, names in known.items()
    }


def _codes(dataset: Any) -> Iterator[_Found]:
    for element in dataset.iterall():
        items: Any = element.value if element.VR == "SQ" else ()
        for item in items:
            value = item.get("CodeValue") or item.get("LongCodeValue")
            if value is not None:
                yield _Found(str(value), str(item.get("CodingSchemeDesignator", "")))
