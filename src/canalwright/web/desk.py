"""What all pages of one server work with."""

from __future__ import annotations

from dataclasses import dataclass

from canalwright.anatomy.canal import Canal
from canalwright.errors import UnknownName
from canalwright.web.scans import ScanImages
from canalwright.web.settings import ServeSettings
from canalwright.web.shelf import Case, Shelf

__all__ = ["Desk", "OpenCanal"]


@dataclass(frozen=True, eq=False)
class OpenCanal:
    """One canal of a case, and the addresses of its pages."""

    case: Case
    canal: Canal
    number: int

    @property
    def where(self) -> str:
        """Case and canal, for people."""
        return f"{self.case.name} · {self.canal.name}"

    @property
    def links(self) -> tuple[tuple[str, str, str], ...]:
        """Key, label and address of every page of this canal."""
        tail = f"{self.case.key}/{self.number}"
        return (("plan", "Plan", f"/plan/{tail}"), ("step", "Step", f"/step/{tail}"))


class Desk:
    """The shelf, the images and the settings."""

    def __init__(self, settings: ServeSettings) -> None:
        self.settings = settings
        self.shelf = Shelf(settings.data)
        self.images = ScanImages(settings.data)

    def open(self, key: str, number: str) -> OpenCanal:
        """Return a canal by the address of its case and its place there, counted from 1.

        Raises
        ------
        UnknownName
            If there is none.
        """
        case = self.shelf.find(key)
        known = tuple(str(at) for at in range(1, len(case.canals) + 1))
        if number not in known:
            raise UnknownName(kind=f"canal in {case.name}", got=number, known=known)
        return OpenCanal(case, case.canals[int(number) - 1], int(number))
