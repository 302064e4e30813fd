"""What requests may say: every field bounded, nothing beside them."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from canalwright.records.access.roles import Role
from canalwright.records.nouns import EventKind, Outcome, SignOffDecision

__all__ = [
    "CaseAmendment",
    "Me",
    "NewCase",
    "NewRecall",
    "NewSignOff",
    "NewUser",
    "NewVisit",
    "Share",
    "SignIn",
    "Token",
    "UserChange",
    "UserShown",
    "VisitEventIn",
]

Line = Annotated[str, Field(max_length=200)]
Text = Annotated[str, Field(max_length=4000)]
Reason = Annotated[str, Field(min_length=1, max_length=400)]
Level = Annotated[float, Field(ge=-5.0, le=40.0)]


class _In(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class SignIn(_In):
    """Name and password."""

    name: Annotated[str, Field(max_length=200)]
    password: Annotated[str, Field(max_length=1000)]


class Token(BaseModel):
    """A session: the token for ``Authorization: Bearer``, and that for forms."""

    token: str
    form_token: str
    user: UserShown


class UserShown(BaseModel):
    """A user as others see one."""

    name: str
    display_name: str
    roles: list[Role]
    active: bool
    must_change: bool
    version: int


class Me(BaseModel):
    """Who is asking, and what is allowed."""

    user: UserShown
    operations: list[str]
    form_token: str


class NewUser(_In):
    """A user to be made."""

    name: Annotated[str, Field(max_length=60)]
    display_name: Line = ""
    roles: Annotated[list[Role], Field(min_length=1, max_length=5)]
    password: Annotated[str, Field(max_length=1000)]


class UserChange(_In):
    """A change to a user in the version that was read."""

    version: int
    display_name: Line | None = None
    roles: Annotated[list[Role], Field(min_length=1, max_length=5)] | None = None
    active: bool | None = None
    password: Annotated[str, Field(max_length=1000)] | None = None


class NewCase(_In):
    """A case to be made; without a pseudonym one is made up."""

    pseudonym: Annotated[str, Field(max_length=80)] = ""
    label: Line = ""
    difficulty: Annotated[str, Field(max_length=40)] = ""
    note: Text = ""
    invented: bool = False
    teeth: Annotated[list[Annotated[str, Field(max_length=16)]], Field(max_length=64)] = []


class CaseAmendment(_In):
    """A correction of a case in the version that was read."""

    version: int
    reason: Reason
    label: Line | None = None
    difficulty: Annotated[str, Field(max_length=40)] | None = None
    status: Literal["open", "treated", "closed"] | None = None
    note: Text | None = None
    withdrawn: bool | None = None


class Share(_In):
    """Who is let in."""

    user: Annotated[str, Field(max_length=60)]
    may_edit: bool = False


class NewVisit(_In):
    """A visit that begins now."""

    tooth: Annotated[str, Field(max_length=16)] = ""
    plan_id: Annotated[str, Field(max_length=32)] | None = None
    note: Text = ""


class VisitEventIn(_In):
    """Something that happened."""

    event_kind: EventKind
    tooth: Annotated[str, Field(max_length=16)] = ""
    canal: Line = ""
    instrument: Annotated[str, Field(max_length=80)] = ""
    physical_id: Annotated[str, Field(max_length=32)] | None = None
    from_level_mm: Level | None = None
    to_level_mm: Level | None = None
    time_s: Annotated[float, Field(ge=0.0, le=7200.0)] | None = None
    speed_rpm: Annotated[float, Field(ge=0.0, le=50_000.0)] | None = None
    peak_torque_ncm: Annotated[float, Field(ge=0.0, le=50.0)] | None = None
    length_mm: Annotated[float, Field(ge=0.0, le=40.0)] | None = None
    details: Annotated[dict[Line, Any], Field(max_length=40)] = {}
    note: Text = ""


class NewRecall(_In):
    """Findings at a recall; today's date if none is given."""

    on_date: Annotated[str, Field(max_length=10)] = ""
    tooth: Annotated[str, Field(max_length=16)] = ""
    periapical_index: Annotated[int, Field(ge=1, le=5)] | None = None
    symptoms: Text = ""
    outcome: Outcome | None = None
    note: Text = ""


class NewSignOff(_In):
    """What a supervisor says."""

    decision: SignOffDecision
    note: Text = ""


Token.model_rebuild()
