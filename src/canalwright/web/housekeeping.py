"""What the settings place asks for: users, shares, accesses, examination, backup, notices."""

from __future__ import annotations

import platform
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import metadata
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from canalwright.errors import BadInput
from canalwright.records.access.audit import Access, accesses, log_faults
from canalwright.records.access.roles import Operation, Role
from canalwright.records.access.shares import Shared, shares_of
from canalwright.records.access.users import (
    User,
    add_user,
    change_user,
    find_user,
    has_users,
    list_users,
    set_password,
)
from canalwright.records.backup import back_up, backup_name
from canalwright.records.doctor import Examination, examine

if TYPE_CHECKING:
    from collections.abc import Callable

    from canalwright.records.access.gate import Gate

__all__ = [
    "About",
    "AccessLog",
    "about",
    "access_log",
    "amend_user",
    "examined",
    "make_backup",
    "make_user",
    "share_case",
    "sharers",
    "signs_in",
    "unshare_case",
    "users_of",
]

_SHOWN: Final = 100


@dataclass(frozen=True, slots=True)
class About:
    """Version, and the licenses of what the program is made with.

    Attributes
    ----------
    version, python : str
    place : str
        Where the records are.
    libraries : tuple of (name, version, license)
    notice : str
        Licenses of what is in the browser's bundle.
    """

    version: str
    python: str
    place: str
    libraries: tuple[tuple[str, str, str], ...]
    notice: str


@dataclass(frozen=True, slots=True)
class AccessLog:
    """The last accesses, newest first, and what is wrong with the log's chain."""

    accesses: tuple[Access, ...]
    faults: tuple[str, ...]


def about(gate: Gate) -> About:
    """Return what the program is, and where the records are."""
    from canalwright import __version__

    bundle = files("canalwright.web").joinpath("components", "space_dist", "NOTICE.txt")
    return About(
        __version__,
        platform.python_version(),
        _place(gate),
        tuple(_libraries()),
        bundle.read_text("utf-8"),
    )


def signs_in(gate: Gate) -> bool:
    """Return whether there are users, so that one signs in."""
    with gate.store.reading() as reading:
        return has_users(reading)


def users_of(gate: Gate) -> tuple[User, ...]:
    """Return all users."""
    with gate.reading(Operation.USER_LIST) as reading:
        return list_users(reading)


def make_user(
    gate: Gate, name: str, roles: Iterable[str], password: str, display_name: str = ""
) -> User:
    """Make a user, who has to choose another password at the first sign-in.

    Raises
    ------
    CanalwrightError
        If name, roles or password are not acceptable.
    """
    with gate.writing(Operation.USER_EDIT, subject=name) as writing:
        return add_user(
            writing, name, [Role(role) for role in roles], password, display_name=display_name
        )


def amend_user(
    gate: Gate,
    name: str,
    *,
    roles: Iterable[str],
    active: bool,
    display_name: str,
    password: str = "",
) -> User:
    """Change a user; a new password has to be replaced at the next sign-in.

    Raises
    ------
    CanalwrightError
        If no active admin would be left, or the password would be guessed.
    """
    with gate.writing(Operation.USER_EDIT, subject=name) as writing:
        user = find_user(writing, name)
        made = change_user(
            writing,
            user,
            roles=[Role(role) for role in roles],
            active=active,
            display_name=display_name,
        )
        return set_password(writing, made, password, must_change=True) if password else made


def sharers(gate: Gate, case_id: str) -> tuple[Shared, ...]:
    """Return who reaches a case by a share.

    Raises
    ------
    NotRecorded
        If there is no such case, or the visitor does not reach it.
    """
    with gate.reading(Operation.CASE_READ, case_id, "shares") as reading:
        return shares_of(reading, case_id)


def share_case(gate: Gate, case_id: str, name: str, *, may_edit: bool) -> None:
    """Let another user reach a case.

    Raises
    ------
    NotRecorded
        If there is no such user or case.
    """
    gate.share(case_id, _known(gate, name), may_edit=may_edit)


def unshare_case(gate: Gate, case_id: str, name: str) -> None:
    """Take a share back.

    Raises
    ------
    NotRecorded, BadInput
        If there is no such user, or it is the visitor's own share.
    """
    if name == gate.user.name:
        raise BadInput("You would no longer reach the case yourself; somebody else has to do that.")
    gate.unshare(case_id, _known(gate, name))


def access_log(gate: Gate, actor: str = "") -> AccessLog:
    """Return the last accesses, by everybody or one user."""
    with gate.reading(Operation.AUDIT_READ) as reading:
        found = accesses(reading, actor=actor.strip(), limit=_SHOWN)
        return AccessLog(found, log_faults(reading))


def examined(gate: Gate, progress: Callable[[float], None]) -> Examination:
    """Check everything that can be checked about the records."""
    with gate.reading(Operation.DOCTOR):
        pass
    return examine(gate.store, progress=progress)


def make_backup(gate: Gate, passphrase: str, progress: Callable[[float], None]) -> dict[str, Any]:
    """Write a backup beside the records, and return where it is and what is in it.

    Raises
    ------
    CanalwrightError
        If it cannot be written, or a kept file is damaged.
    """
    with gate.reading(Operation.BACKUP_MAKE):
        pass
    store = gate.store
    target = store.folder / "backups" / backup_name(store)
    made = back_up(store, target, passphrase=passphrase, progress=progress)
    one = made.manifest
    return {
        "path": str(made.path.resolve()),
        "size_mb": made.path.stat().st_size / 1e6,
        "encrypted": made.encrypted,
        "files": len(one.files),
        "head": f"{one.sequence}:{one.hash}",
    }


def _place(gate: Gate) -> str:
    """Return the folder of the records, and the database where it lies elsewhere."""
    folder, place = str(gate.store.folder.resolve()), gate.store.place
    return folder if gate.store.folder.name in place else f"{folder} + {place}"


def _known(gate: Gate, name: str) -> User:
    with gate.store.reading() as reading:
        return find_user(reading, name.strip())


def _libraries() -> Iterable[tuple[str, str, str]]:
    names = {
        requirement.split(";")[0].split("[")[0].split(">")[0].split("=")[0].split("<")[0].strip()
        for requirement in metadata.requires("canalwright") or ()
    }
    for name in sorted(names - {"canalwright"}, key=str.lower):
        try:
            found = metadata.metadata(name)
        except metadata.PackageNotFoundError:
            continue
        yield name, found["Version"], _license(found)


def _license(found: Any) -> str:
    stated = found.get("License-Expression") or found.get("License") or ""
    classified = [
        line.rsplit(" :: ", 1)[-1]
        for line in found.get_all("Classifier") or ()
        if line.startswith("License ::")
    ]
    first = stated.strip().splitlines()[0] if stated.strip() else ""
    return first[:60] if first and len(first) <= 60 else ", ".join(classified) or "see its files"
