"""Canals, a plan and diagnoses as a FHIR bundle, R4B or R5, under a pseudonym."""

from __future__ import annotations

import base64
import hashlib
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from canalwright import __version__
from canalwright.anatomy.canal import Canal
from canalwright.errors import OutOfRange, UnreadableFile, UsageError
from canalwright.exchange.dicom_sr import REPORTED_LEVELS_MM, measured_values
from canalwright.exchange.extras import needed
from canalwright.exchange.fhir_codes import (
    CLINICAL_STATUS,
    DCM,
    INVENTED_TAG,
    OWN,
    PSEUDONYM,
    TOOTH,
    UCUM,
    own_codes,
    require_known_codes,
    term_code,
    unit_of,
)
from canalwright.planning.clinical.diagnosis import Diagnosis

__all__ = ["RELEASES", "FhirContent", "fhir_bundle", "validated_bundle"]

Release = Literal["R4B", "R5"]
RELEASES: Final = ("R4B", "R5")

_NAMESPACE: Final = uuid.UUID("6ba7b812-9dad-11d1-80b4-00c04fd430c8")
_ESTIMATE: Final = (
    "Estimated from an image; not measured in the tooth. Not from a certified medical device."
)


@dataclass(frozen=True, eq=False)
class FhirContent:
    """What a bundle is to hold.

    Attributes
    ----------
    canals : sequence of Canal
    subject : str
        Pseudonym; no other identifier leaves.
    recorded : str
        Instant with time zone, for the provenance.
    tooth : int or None
        ISO 3950 number of a permanent tooth.
    diagnosis : Diagnosis or None
    sequence : sequence of str
        Planned instruments in order.
    study_uid : str
        Study the scan belongs to; only if asked for, since it leads back to the patient.
    documents : mapping of str to bytes
        PDF documents by title.
    inputs : mapping of str to str
        SHA-256 of what it was computed from, by name.
    invented : bool
    """

    canals: Sequence[Canal]
    subject: str
    recorded: str
    tooth: int | None = None
    diagnosis: Diagnosis | None = None
    sequence: Sequence[str] = ()
    study_uid: str = ""
    documents: Mapping[str, bytes] = field(default_factory=dict)
    inputs: Mapping[str, str] = field(default_factory=dict)
    invented: bool = False


def fhir_bundle(content: FhirContent, release: Release = "R5") -> dict[str, Any]:
    """Return a bundle that was validated in structure and codes.

    Patient (a pseudonym only), BodyStructure and Observation of every canal, Condition, Procedure
    (status ``preparation``: a plan is no treatment), ImagingStudy, DocumentReference, Provenance,
    and the CodeSystem of our own codes.

    Parameters
    ----------
    content : FhirContent
    release : str
        ``"R4B"`` or ``"R5"``.

    Raises
    ------
    MissingExtra
        If fhir.resources is not installed.
    UsageError
        If there is no canal or no pseudonym.
    WrongCode
        If a code is none of our value sets.
    """
    if not content.canals or not content.subject.strip():
        raise UsageError("A bundle needs at least one canal and the subject's pseudonym.")
    if content.tooth is not None and not (
        content.tooth // 10 in (1, 2, 3, 4) and 1 <= content.tooth % 10 <= 8
    ):
        raise OutOfRange(
            name="number of a permanent tooth", got=content.tooth, unit="", allowed=(11, 48)
        )
    build = _Build(content, release)
    return validated_bundle(build.bundle(), release)


def validated_bundle(bundle: Mapping[str, Any], release: Release) -> dict[str, Any]:
    """Return a bundle after checking its structure, then its codes.

    Raises
    ------
    UnreadableFile
        If the structure is not that of the release.
    WrongCode
        If a code is none of our value sets.
    """
    from pydantic import ValidationError

    module = "fhir.resources.bundle" if release == "R5" else "fhir.resources.R4B.bundle"
    library = needed(module, purpose="FHIR", extra="exchange", library="fhir.resources")
    try:
        library.Bundle.model_validate(dict(bundle))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise UnreadableFile(
            path="the bundle", problem=f"is not {release} at {place}: {first['msg']}"
        ) from None
    require_known_codes(bundle)
    return dict(bundle)


@dataclass(frozen=True, eq=False)
class _Build:
    content: FhirContent
    release: Release

    def bundle(self) -> dict[str, Any]:
        resources = [
            self._code_system(),
            self._patient(),
            *self._structures(),
            *self._observations(),
            *self._conditions(),
            *self._procedure(),
            *self._study(),
            *self._documents(),
        ]
        resources.append(self._provenance(resources))
        return {
            "resourceType": "Bundle",
            "type": "collection",
            "timestamp": self.content.recorded,
            "entry": [{"fullUrl": self._url(one["id"]), "resource": one} for one in resources],
        }

    def _url(self, identifier: str) -> str:
        return f"urn:uuid:{identifier}"

    def _id(self, *parts: str) -> str:
        return str(uuid.uuid5(_NAMESPACE, "/".join((self.content.subject, *parts))))

    def _new(self, kind: str, *parts: str) -> dict[str, Any]:
        made: dict[str, Any] = {"resourceType": kind, "id": self._id(kind, *parts)}
        if self.content.invented:
            made["meta"] = {"tag": [{"display": INVENTED_TAG}]}
        return made

    def _reference(self, kind: str, *parts: str) -> dict[str, Any]:
        return {"reference": self._url(self._id(kind, *parts))}

    def _code_system(self) -> dict[str, Any]:
        concepts = [{"code": code, "display": text} for code, text in own_codes().items()]
        return self._new("CodeSystem") | {
            "url": OWN,
            "version": __version__,
            "name": "CanalwrightCodes",
            "title": "Private codes of Canalwright; registered nowhere",
            "status": "draft",
            "content": "complete",
            "concept": concepts,
        }

    def _patient(self) -> dict[str, Any]:
        identifier = [{"system": PSEUDONYM, "value": self.content.subject}]
        return self._new("Patient") | {"identifier": identifier}

    def _site(self) -> dict[str, Any]:
        tooth = self.content.tooth
        if tooth is None:
            return {"text": "tooth not stated"}
        return {"coding": [{"system": TOOTH, "code": str(tooth)}], "text": f"tooth {tooth}"}

    def _structures(self) -> list[dict[str, Any]]:
        made = []
        for canal in self.content.canals:
            one = self._new("BodyStructure", canal.name) | {
                "morphology": _own("CANAL"),
                "description": f"Root canal {canal.name}",
                "patient": self._reference("Patient"),
            }
            if self.release == "R5":
                one["includedStructure"] = [{"structure": self._site()}]
            else:
                one["location"] = self._site()
            made.append(one)
        return made

    def _observations(self) -> list[dict[str, Any]]:
        return [
            self._observation(canal, code, value, sd)
            for canal in self.content.canals
            for code, value, sd in measured_values(canal, REPORTED_LEVELS_MM)
        ]

    def _observation(
        self, canal: Canal, code: str, value: float, sd: float | None
    ) -> dict[str, Any]:
        spread = "" if sd is None else f" Standard deviation {sd:.3f} {unit_of(code)}."
        return self._new("Observation", canal.name, code) | {
            "status": "preliminary",
            "code": _own(code),
            "subject": self._reference("Patient"),
            "focus": [self._reference("BodyStructure", canal.name)],
            "bodySite": self._site(),
            "valueQuantity": {
                "value": round(value, 4),
                "unit": unit_of(code),
                "system": UCUM,
                "code": unit_of(code),
            },
            "note": [{"text": f"Canal {canal.name}. {_ESTIMATE}{spread}"}],
        }

    def _conditions(self) -> list[dict[str, Any]]:
        stated = self.content.diagnosis
        if stated is None:
            return []
        return [
            self._new("Condition", kind)
            | {
                "clinicalStatus": {"coding": [{"system": CLINICAL_STATUS, "code": "active"}]},
                "code": _own(term_code(kind, term)),
                "bodySite": [self._site()],
                "subject": self._reference("Patient"),
            }
            for kind, term in (("pulpal", stated.pulpal), ("apical", stated.apical))
            if term
        ]

    def _procedure(self) -> list[dict[str, Any]]:
        if not self.content.sequence:
            return []
        text = "Planned, not carried out: " + ", ".join(self.content.sequence)
        return [
            self._new("Procedure")
            | {
                "status": "preparation",
                "code": _own("SHAPING-PLANNED"),
                "subject": self._reference("Patient"),
                "bodySite": [self._site()],
                "note": [{"text": text}],
            }
        ]

    def _study(self) -> list[dict[str, Any]]:
        modality: dict[str, Any] = {"system": DCM, "code": "CT"}
        one = self._new("ImagingStudy") | {
            "status": "available",
            "subject": self._reference("Patient"),
            "modality": [{"coding": [modality]} if self.release == "R5" else modality],
        }
        if self.content.study_uid:
            value = f"urn:oid:{self.content.study_uid}"
            one["identifier"] = [{"system": "urn:dicom:uid", "value": value}]
        return [one]

    def _documents(self) -> list[dict[str, Any]]:
        made = []
        for title, data in self.content.documents.items():
            attachment = {
                "contentType": "application/pdf",
                "data": base64.b64encode(data).decode(),
                "size": len(data),
                "hash": base64.b64encode(hashlib.sha1(data).digest()).decode(),
                "title": title,
            }
            made.append(
                self._new("DocumentReference", title)
                | {
                    "status": "current",
                    "subject": self._reference("Patient"),
                    "content": [{"attachment": attachment}],
                }
            )
        return made

    def _provenance(self, resources: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
        kept = [one for one in resources if one["resourceType"] not in ("Patient", "CodeSystem")]
        entities = [
            {"role": "source", "what": {"display": f"{name}, SHA-256 {digest}"}}
            for name, digest in self.content.inputs.items()
        ]
        made = self._new("Provenance") | {
            "target": [{"reference": self._url(str(one["id"]))} for one in kept],
            "recorded": self.content.recorded,
            "agent": [{"who": {"display": f"Canalwright {__version__} (software)"}}],
        }
        return made | ({"entity": entities} if entities else {})


def _own(code: str) -> dict[str, Any]:
    meaning = own_codes()[code]
    return {"coding": [{"system": OWN, "code": code, "display": meaning}], "text": meaning}
