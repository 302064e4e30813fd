"""Roles and what each may do; whatever is not listed is denied.

A user may hold several roles; what they allow adds up. Three questions are kept apart: may this
role do that at all (this module), may this user reach this case (``gate``), and who has to agree
afterwards (a supervisor signs what a student planned or did).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Final

__all__ = ["ALLOWED", "CASE_OPERATIONS", "Operation", "Role", "permitted", "sees_every_case"]


class Role(StrEnum):
    """What a person is to the practice or school."""

    VIEWER = "viewer"
    STUDENT = "student"
    CLINICIAN = "clinician"
    SUPERVISOR = "supervisor"
    ADMIN = "admin"


class Operation(StrEnum):
    """One thing that can be done with the records."""

    CASE_LIST = "case.list"
    CASE_READ = "case.read"
    CASE_CREATE = "case.create"
    CASE_EDIT = "case.edit"
    CASE_SHARE = "case.share"
    CASE_EXPORT = "case.export"
    FILE_READ = "file.read"
    FILE_ADD = "file.add"
    PLAN_ADD = "plan.add"
    PLAN_SIGN = "plan.sign"
    VISIT_START = "visit.start"
    VISIT_LOG = "visit.log"
    VISIT_AMEND = "visit.amend"
    VISIT_SIGN = "visit.sign"
    RECALL_ADD = "recall.add"
    INSTRUMENT_READ = "instrument.read"
    INSTRUMENT_EDIT = "instrument.edit"
    EXERCISE_READ = "exercise.read"
    EXERCISE_TRY = "exercise.try"
    EXERCISE_SET = "exercise.set"
    STATISTICS_READ = "statistics.read"
    CASE_IMPORT = "case.import"
    BACKUP_MAKE = "backup.make"
    RESTORE = "restore"
    DOCTOR = "doctor"
    AUDIT_READ = "audit.read"
    USER_LIST = "user.list"
    USER_EDIT = "user.edit"


_LOOKING: Final = frozenset(
    {
        Operation.CASE_LIST,
        Operation.CASE_READ,
        Operation.FILE_READ,
        Operation.INSTRUMENT_READ,
        Operation.EXERCISE_READ,
    }
)
_LEARNING: Final = _LOOKING | {
    Operation.CASE_CREATE,
    Operation.CASE_EDIT,
    Operation.FILE_ADD,
    Operation.PLAN_ADD,
    Operation.VISIT_START,
    Operation.VISIT_LOG,
    Operation.VISIT_AMEND,
    Operation.EXERCISE_TRY,
}
_TREATING: Final = _LEARNING | {
    Operation.CASE_SHARE,
    Operation.CASE_EXPORT,
    Operation.CASE_IMPORT,
    Operation.RECALL_ADD,
    Operation.INSTRUMENT_EDIT,
    Operation.EXERCISE_SET,
    Operation.STATISTICS_READ,
    Operation.VISIT_SIGN,
}
_SUPERVISING: Final = _TREATING | {Operation.PLAN_SIGN}
_KEEPING: Final = frozenset(
    {
        Operation.BACKUP_MAKE,
        Operation.RESTORE,
        Operation.DOCTOR,
        Operation.AUDIT_READ,
        Operation.USER_LIST,
        Operation.USER_EDIT,
    }
)

ALLOWED: Final[Mapping[Role, frozenset[Operation]]] = MappingProxyType(
    {
        Role.VIEWER: _LOOKING,
        Role.STUDENT: frozenset(_LEARNING),
        Role.CLINICIAN: frozenset(_TREATING),
        Role.SUPERVISOR: frozenset(_SUPERVISING),
        Role.ADMIN: _KEEPING,
    }
)
"""Operations per role. An admin keeps users and backups and sees no case by that role alone."""

CASE_OPERATIONS: Final = frozenset(
    {
        Operation.CASE_READ,
        Operation.CASE_EDIT,
        Operation.CASE_SHARE,
        Operation.CASE_EXPORT,
        Operation.FILE_READ,
        Operation.FILE_ADD,
        Operation.PLAN_ADD,
        Operation.PLAN_SIGN,
        Operation.VISIT_START,
        Operation.VISIT_LOG,
        Operation.VISIT_AMEND,
        Operation.VISIT_SIGN,
        Operation.RECALL_ADD,
    }
)
"""Operations on one case, which need access to that case besides the role."""

_SEES_ALL: Final = frozenset({Role.SUPERVISOR})


def permitted(roles: Iterable[Role], operation: Operation) -> bool:
    """Return whether any of the roles allows the operation; no role allows nothing."""
    return any(operation in ALLOWED.get(role, frozenset()) for role in roles)


def sees_every_case(roles: Iterable[Role]) -> bool:
    """Return whether the roles reach cases that were neither made by nor shared with the user."""
    return any(role in _SEES_ALL for role in roles)
