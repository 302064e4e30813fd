"""Tooth and diagnoses from FHIR resources of others; names and the like are not taken."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, ClassVar, Final

from pydantic import Field

from canalwright.cautions import CLINICAL_CAUTIONS, Caution, merged
from canalwright.errors import UnreadableFile
from canalwright.exchange.document import Document, Record, caution_records, header
from canalwright.exchange.extras import needed
from canalwright.exchange.fhir_codes import INVENTED_TAG, OWN, PSEUDONYM, TOOTH, term_code
from canalwright.planning.clinical.diagnosis import apical_terms, pulpal_terms

__all__ = ["IntakeDocument", "read_intake"]

_LARGEST_BYTES: Final = 50_000_000
_IDENTIFYING: Final = (
    "name", "birthDate", "address", "telecom", "photo", "contact", "gender", "identifier",
    "deceasedDateTime", "maritalStatus", "generalPractitioner", "managingOrganization",
)  # fmt: skip


class ToothEntry(Record):
    """What is stated of one tooth, in the terms of the 2009 consensus; empty where not stated."""

    tooth: int | None
    pulpal: str = ""
    apical: str = ""


class IntakeDocument(Document):
    """The document ``canalwright/intake@1``: what was taken from a referral in FHIR.

    ``not_understood`` counts conditions in none of our terms, ``not_taken`` names elements of the
    patient that were left behind.
    """

    kind: ClassVar[str] = "canalwright/intake@1"

    subject: str
    teeth: list[ToothEntry]
    not_understood: int
    not_taken: list[str] = Field(default_factory=list)


def read_intake(path: Path, *, subject: str | None = None, release: str = "R5") -> IntakeDocument:
    """Read Patient and Condition resources from a bundle or single resource.

    Parameters
    ----------
    path : Path
        JSON.
    subject : str, optional
        Pseudonym; else one that this program wrote itself is taken, or none.
    release : str
        ``"R4B"`` or ``"R5"``.

    Raises
    ------
    UnreadableFile
        If it is no JSON, no FHIR of that release, or is about several patients.
    MissingExtra
        If fhir.resources is not installed.
    """
    resources = list(_resources(_parsed(path)))
    patients = [one for one in resources if one["resourceType"] == "Patient"]
    conditions = [one for one in resources if one["resourceType"] == "Condition"]
    if len(patients) > 1:
        raise UnreadableFile(path=str(path), problem=f"is about {len(patients)} patients")
    if not patients and not conditions:
        raise UnreadableFile(path=str(path), problem="holds neither a Patient nor a Condition")
    for one in (*patients, *conditions):
        _validate(path, one, release)
    teeth, missed = _teeth(conditions)
    return IntakeDocument(
        **header(IntakeDocument),
        invented=any(_invented(one) for one in resources),
        inputs={"source": path.name, "release": release},
        subject=subject or _own_pseudonym(patients),
        teeth=teeth,
        not_understood=missed,
        not_taken=sorted({key for one in patients for key in _IDENTIFYING if key in one}),
        cautions=caution_records(merged(_cautions(missed), CLINICAL_CAUTIONS)),
    )


def _invented(resource: Mapping[str, Any]) -> bool:
    tags = (resource.get("meta") or {}).get("tag") or []
    return any(tag.get("display") == INVENTED_TAG for tag in tags)


def _cautions(missed: int) -> tuple[Caution, ...]:
    if not missed:
        return ()
    text = f"{missed} condition(s) are stated in terms that are not known here and were not taken."
    return (Caution("CONDITION_NOT_UNDERSTOOD", text, "project rule"),)


def _parsed(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise UnreadableFile(path=str(path), problem="larger than any referral")
        data = json.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, ValueError, RecursionError) as error:
        raise UnreadableFile(path=str(path), problem=f"no JSON ({error})") from None
    if not isinstance(data, dict) or "resourceType" not in data:
        raise UnreadableFile(path=str(path), problem="no FHIR resource: it has no resourceType")
    return data


def _resources(data: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    if data["resourceType"] != "Bundle":
        yield dict(data)
        return
    for entry in data.get("entry") or []:
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(resource, dict) and "resourceType" in resource:
            yield resource


def _validate(path: Path, resource: dict[str, Any], release: str) -> None:
    from pydantic import ValidationError

    kind = str(resource["resourceType"])
    package = "fhir.resources" if release == "R5" else "fhir.resources.R4B"
    library = needed(
        f"{package}.{kind.lower()}", purpose="FHIR", extra="exchange", library="fhir.resources"
    )
    try:
        getattr(library, kind).model_validate(resource)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise UnreadableFile(
            path=str(path), problem=f"its {kind} is not {release} at {place}: {first['msg']}"
        ) from None


def _own_pseudonym(patients: list[dict[str, Any]]) -> str:
    for one in patients:
        for identifier in one.get("identifier") or []:
            if identifier.get("system") == PSEUDONYM:
                return str(identifier.get("value", ""))
    return ""


def _teeth(conditions: list[dict[str, Any]]) -> tuple[list[ToothEntry], int]:
    found: dict[int | None, dict[str, str]] = {}
    missed = 0
    for condition in conditions:
        kind_term = _term(condition.get("code") or {})
        if kind_term is None:
            missed += 1
            continue
        kind, term = kind_term
        for tooth in _sites(condition) or [None]:
            found.setdefault(tooth, {})[kind] = term
    return [ToothEntry(tooth=tooth, **terms) for tooth, terms in found.items()], missed


def _term(concept: Mapping[str, Any]) -> tuple[str, str] | None:
    """Return kind and term of a condition, by our code or by the term itself in words."""
    codes = {
        str(one.get("code")) for one in concept.get("coding") or [] if one.get("system") == OWN
    }
    words = {str(concept.get("text", "")).strip().lower()}
    words |= {str(one.get("display", "")).strip().lower() for one in concept.get("coding") or []}
    for kind, terms in (("pulpal", pulpal_terms()), ("apical", apical_terms())):
        for term in terms:
            if term_code(kind, term) in codes or term.lower() in words:
                return kind, term
    return None


def _sites(condition: Mapping[str, Any]) -> list[int | None]:
    return [
        int(one["code"])
        for site in condition.get("bodySite") or []
        for one in site.get("coding") or []
        if one.get("system") == TOOTH and str(one.get("code", "")).isdigit()
    ]
