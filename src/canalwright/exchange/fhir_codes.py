"""Value sets of our FHIR bundles, and the check that a bundle holds no other code.

The library that validates bundles checks their structure, not their codes; `require_known_codes`
does: systems and codes, which codes a place may hold, and which unit goes with a measurement.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from canalwright.errors import BadInput
from canalwright.exchange.dicom_codes import PRIVATE_CODES
from canalwright.planning.clinical.diagnosis import apical_terms, pulpal_terms

__all__ = [
    "CLINICAL_STATUS",
    "DCM",
    "INVENTED_TAG",
    "OWN",
    "PSEUDONYM",
    "TOOTH",
    "UCUM",
    "WrongCode",
    "own_codes",
    "require_known_codes",
    "term_code",
]

OWN: Final = "urn:canalwright:codes"
"""Our own code system; its concepts travel in every bundle."""
INVENTED_TAG: Final = "INVENTED DATA"
"""Display of the tag that marks made-up resources."""
PSEUDONYM: Final = "urn:canalwright:pseudonym"
TOOTH: Final = "http://hl7.org/fhir/ex-tooth"
UCUM: Final = "http://unitsofmeasure.org"
DCM: Final = "http://dicom.nema.org/resources/ontology/DCM"
CLINICAL_STATUS: Final = "http://terminology.hl7.org/CodeSystem/condition-clinical"

_TEETH: Final = frozenset(str(10 * q + n) for q in (1, 2, 3, 4) for n in range(1, 9))
_STATUSES: Final = frozenset(
    {"active", "recurrence", "relapse", "inactive", "remission", "resolved"}
)
_UNITS: Final = frozenset({"mm", "mm3", "deg", "/mm"})

_MEASURES: Final = {
    "LENGTH": "Root canal length along the centerline from the terminus to the orifice",
    "VOLUME": "Root canal volume between terminus and orifice",
    **{
        code: text
        for code, text in PRIVATE_CODES.items()
        if code not in ("CANAL", "PULP", "TRACED", "ESTIMATED")
    },
}
_PROCEDURES: Final = {"SHAPING-PLANNED": "Root canal shaping, planned sequence of instruments"}
_STRUCTURES: Final = {"CANAL": PRIVATE_CODES["CANAL"]}


@dataclass(kw_only=True, eq=False)
class WrongCode(BadInput):
    """A code that its place in a bundle may not hold."""

    place: str
    got: str
    allowed: tuple[str, ...]

    def sentence(self) -> str:
        """Return the message."""
        shown = ", ".join(self.allowed[:8]) + (", …" if len(self.allowed) > 8 else "")
        return f"{self.place} holds the code {self.got!r}; allowed there: {shown}."


def term_code(kind: str, term: str) -> str:
    """Return our code of a diagnosis term; `kind` is ``pulpal`` or ``apical``."""
    return f"{kind}-{re.sub(r'[^a-z]+', '-', term.lower())}".upper()


def _terms() -> dict[str, str]:
    return {
        term_code(kind, term): term
        for kind, terms in (("pulpal", pulpal_terms()), ("apical", apical_terms()))
        for term in terms
    }


def own_codes() -> dict[str, str]:
    """Return every code of our system with its meaning."""
    return {**_MEASURES, **_PROCEDURES, **_STRUCTURES, **_terms()}


def unit_of(code: str) -> str:
    """Return the UCUM unit that goes with a measurement."""
    if code == "VOLUME":
        return "mm3"
    if code in ("SCHNEIDER", "PRUETT-ANGLE"):
        return "deg"
    return "/mm" if code == "MAX-CURVATURE" else "mm"


def require_known_codes(bundle: Mapping[str, Any]) -> None:
    """Check every code of a bundle.

    Raises
    ------
    WrongCode
        If a system is not ours to use, a code is not in it, a place holds a code of another kind,
        or a value has another unit than its measurement.
    """
    systems = _systems()
    for place, coded in _coded(bundle, "Bundle"):
        system, code = str(coded.get("system", "")), str(coded.get("code", ""))
        if system not in systems:
            raise WrongCode(place=f"{place}.system", got=system, allowed=tuple(sorted(systems)))
        _require(f"{place}.code", code, systems[system])
    for at, entry in enumerate(bundle.get("entry", [])):
        _require_bindings(f"Bundle.entry[{at}]", entry.get("resource", {}))


def _systems() -> dict[str, frozenset[str]]:
    return {
        OWN: frozenset(own_codes()),
        TOOTH: _TEETH,
        UCUM: _UNITS,
        DCM: frozenset({"CT"}),
        CLINICAL_STATUS: _STATUSES,
    }


def _coded(value: Any, place: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield every Coding and Quantity with a code, and its place."""
    if isinstance(value, Mapping):
        if "code" in value and isinstance(value["code"], str) and "system" in value:
            yield place, value
        for key, item in value.items():
            yield from _coded(item, f"{place}.{key}")
    elif isinstance(value, list):
        for at, item in enumerate(value):
            yield from _coded(item, f"{place}[{at}]")


def _require(place: str, code: str, allowed: frozenset[str] | Mapping[str, str]) -> None:
    if code not in allowed:
        raise WrongCode(place=place, got=code, allowed=tuple(sorted(allowed)))


def _require_bindings(place: str, resource: Mapping[str, Any]) -> None:
    kind = resource.get("resourceType", "")
    bound = {"Observation": _MEASURES, "Condition": _terms(), "Procedure": _PROCEDURES}.get(kind)
    if bound is not None:
        for code in _codes_of(resource.get("code"), OWN):
            _require(f"{place}.{kind}.code", code, bound)
        if not _codes_of(resource.get("code"), OWN):
            raise WrongCode(place=f"{place}.{kind}.code", got="", allowed=tuple(sorted(bound)))
    if kind == "Observation":
        for part in (resource, *resource.get("component", [])):
            _require_unit(place, part)


def _require_unit(place: str, part: Mapping[str, Any]) -> None:
    codes, quantity = _codes_of(part.get("code"), OWN), part.get("valueQuantity")
    if codes and quantity is not None:
        _require(
            f"{place}.valueQuantity", str(quantity.get("code")), frozenset({unit_of(codes[0])})
        )


def _codes_of(concept: Mapping[str, Any] | None, system: str) -> list[str]:
    return [
        str(coding.get("code"))
        for coding in (concept or {}).get("coding", [])
        if coding.get("system") == system
    ]
