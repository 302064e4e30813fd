"""Diagnosis terms: one pulpal and one apical term for a tooth :cite:`aae2009`."""

from __future__ import annotations

from dataclasses import dataclass

from canalwright.errors import UnknownName
from canalwright.planning.clinical.tables import table

__all__ = ["Diagnosis", "apical_terms", "pulpal_terms"]


def pulpal_terms() -> tuple[str, ...]:
    """Return the pulpal terms of the vocabulary."""
    return tuple(table("assessment")["diagnosis"]["pulpal"])


def apical_terms() -> tuple[str, ...]:
    """Return the apical terms of the vocabulary."""
    return tuple(table("assessment")["diagnosis"]["apical"])


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The diagnosis the operator made.

    Attributes
    ----------
    pulpal, apical : str
        Empty where not stated.
    vocabulary : str
        Which set of terms; newer proposals may change them.

    Raises
    ------
    UnknownName
        If a term is not one of the vocabulary.
    """

    pulpal: str = ""
    apical: str = ""
    vocabulary: str = "2009 consensus terms"

    def __post_init__(self) -> None:
        for kind, term, known in (
            ("pulpal diagnosis", self.pulpal, pulpal_terms()),
            ("apical diagnosis", self.apical, apical_terms()),
        ):
            if term and term not in known:
                raise UnknownName(kind=kind, got=term, known=known)

    def describe(self) -> str:
        """Return both terms."""
        return f"{self.pulpal or 'pulp: not stated'}; {self.apical or 'apical: not stated'}"
