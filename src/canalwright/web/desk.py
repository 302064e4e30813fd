"""What all pages of one server work with, and what one visitor has open."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from canalwright.anatomy.canal import Canal
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation
from canalwright.records.access.users import User
from canalwright.records.cases import CaseFile, open_case
from canalwright.records.store import Store
from canalwright.web.api.doors import caller_of
from canalwright.web.cabinet import CanalsFile, canal_at, canals_file
from canalwright.web.scans import ScanRoom
from canalwright.web.settings import ServeSettings

if TYPE_CHECKING:
    from starlette.requests import Request

__all__ = ["Desk", "OpenCanal", "OpenCase"]


@dataclass(frozen=True, eq=False)
class OpenCase:
    """A case that a visitor has open, and the addresses of its pages."""

    gate: Gate
    file: CaseFile

    @property
    def id(self) -> str:
        """Id of the case."""
        return self.file.case.id

    @property
    def name(self) -> str:
        """Pseudonym and label."""
        case = self.file.case
        return f"{case.pseudonym} · {case.label}" if case.label else case.pseudonym

    @property
    def first_plan(self) -> str:
        """Address of the plan page of the newest measured canal; empty without any."""
        measured = [
            one
            for one in self.file.documents
            if one.document_kind == "canals" and not one.withdrawn
        ]
        return f"/case/{self.id}/plan/{measured[-1].id}/1" if measured else ""

    @property
    def links(self) -> tuple[tuple[str, str, str], ...]:
        """Key, label and address of the pages of this case."""
        head = f"/case/{self.id}"
        return (
            ("case", "Case", head),
            ("measure", "Measure", f"{head}/measure"),
            ("plan", "Plan", f"{head}/plan"),
            ("chairside", "Chairside", f"{head}/chairside"),
        )


@dataclass(frozen=True, eq=False)
class OpenCanal:
    """One canal of a case that a visitor has open."""

    case: OpenCase
    file: CanalsFile
    canal: Canal
    number: int

    @property
    def where(self) -> str:
        """Case and canal, for people."""
        return f"{self.case.name} · {self.canal.name}"

    @property
    def links(self) -> tuple[tuple[str, str, str], ...]:
        """Key, label and address of the pages of the case."""
        return self.case.links

    def address(self, place: str) -> str:
        """Return the address of a page on this canal: ``plan`` or ``step``."""
        return f"/case/{self.case.id}/{place}/{self.file.key}/{self.number}"


class Desk:
    """The records, scans in memory, and the settings."""

    def __init__(self, settings: ServeSettings, store: Store) -> None:
        self.settings = settings
        self.store = store
        self.scans = ScanRoom()

    def gate(self, request: Request) -> Gate:
        """Return the records as the visitor of a page may see them.

        Raises
        ------
        SessionEnded
            If somebody has to sign in first.
        """
        return caller_of(self.store, request).gate

    def user(self, request: Request) -> User:
        """Return who visits."""
        return self.gate(request).user

    def open_case(self, gate: Gate, case_id: str) -> OpenCase:
        """Return a case.

        Raises
        ------
        NotRecorded
            If there is none, or the visitor does not reach it.
        """
        with gate.reading(Operation.CASE_READ, case_id) as reading:
            return OpenCase(gate, open_case(reading, case_id))

    def open_canal(self, gate: Gate, case_id: str, document_id: str, number: str) -> OpenCanal:
        """Return a canal by its document and its place there, counted from 1.

        Raises
        ------
        NotRecorded, UnknownName
            If there is none.
        """
        case = self.open_case(gate, case_id)
        file = canals_file(gate, case_id, document_id)
        return OpenCanal(case, file, canal_at(file, number), int(number))
