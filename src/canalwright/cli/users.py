"""``canalwright users``: who may sign in to the records, with which roles."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canalwright.cli.options import JsonFile
from canalwright.cli.records_options import DatabaseUrl, DataFolder, chosen, opened
from canalwright.cli.records_output import answer
from canalwright.errors import UsageError

if TYPE_CHECKING:
    from canalwright.records.access.users import User

__all__ = ["users"]

users = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Users of the records. Without any, everything is open to this computer and the server "
    "listens on this machine only; the first user must be an admin.",
)

RoleNames = Annotated[
    list[str] | None,
    typer.Option(
        "--role",
        metavar="ROLE",
        help="viewer, student, clinician, supervisor or admin; repeatable, they add up.",
    ),
]
PasswordFile = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE", help="File that holds the password; else it is asked for at the keyboard."
    ),
]
UserName = Annotated[str, typer.Argument(metavar="NAME", help="Name of the user.")]


@users.command("list", epilog="Example: canalwright users list")
def list_all(data: DataFolder = None, database: DatabaseUrl = None, json: JsonFile = None) -> None:
    """List all users."""
    from canalwright.records.access.users import list_users

    with opened(data, database) as store, store.reading() as reading:
        found = list_users(reading)
    lines = [_line(user) for user in found] or ["There are no users."]
    answer(json, "users", {"users": [_shown(user) for user in found]}, lines)


@users.command("add", epilog="Example: canalwright users add noor --role clinician --role admin")
def add(
    name: UserName,
    role: RoleNames = None,
    display_name: Annotated[str, typer.Option(metavar="TEXT", help="Name for people.")] = "",
    password_file: PasswordFile = None,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Add a user, who has to choose another password at the first sign-in."""
    from canalwright.records.access.users import add_user

    roles = _roles(role)
    with opened(data, database) as store:
        password = _password(password_file)
        with store.writing() as writing:
            made = add_user(writing, name, roles, password, display_name=display_name)
    answer(json, "users", {"user": _shown(made)}, [f"Added {_line(made)}"])


@users.command("change", epilog="Example: canalwright users change noor --role viewer")
def change(
    name: UserName,
    role: RoleNames = None,
    active: Annotated[
        bool | None, typer.Option("--active/--inactive", help="Whether the user can sign in.")
    ] = None,
    display_name: Annotated[
        str | None, typer.Option(metavar="TEXT", help="Name for people.")
    ] = None,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Change roles, name, or whether a user can sign in; sessions of the user end."""
    from canalwright.records.access.users import change_user, find_user

    roles = _roles(role) if role else None
    with opened(data, database) as store, store.writing() as writing:
        made = change_user(
            writing,
            find_user(writing, name),
            roles=roles,
            active=active,
            display_name=display_name,
        )
    answer(json, "users", {"user": _shown(made)}, [f"Changed {_line(made)}"])


@users.command("password", epilog="Example: canalwright users password noor")
def password(
    name: UserName,
    password_file: PasswordFile = None,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Set a password, to be replaced at the next sign-in; sessions of the user end."""
    from canalwright.records.access.users import find_user, set_password

    with opened(data, database) as store:
        wanted = _password(password_file)
        with store.writing() as writing:
            made = set_password(writing, find_user(writing, name), wanted, must_change=True)
    answer(json, "users", {"user": _shown(made)}, [f"New password for {made.name}."])


@users.command("log", epilog="Example: canalwright users log --user noor")
def access_log(
    user: Annotated[str, typer.Option(metavar="NAME", help="Only accesses by this user.")] = "",
    case: Annotated[str, typer.Option(metavar="CASE", help="Only accesses to this case.")] = "",
    limit: Annotated[int, typer.Option(min=1, max=10_000, help="How many, newest first.")] = 50,
    data: DataFolder = None,
    database: DatabaseUrl = None,
    json: JsonFile = None,
) -> None:
    """Show who looked at or changed which case, and what was denied; check that log's chain."""
    from canalwright.records.access.audit import accesses, log_faults
    from canalwright.records.cases import find_case

    with opened(data, database) as store, store.reading() as reading:
        case_id = find_case(reading, case).id if case else ""
        found = accesses(reading, case_id=case_id, actor=user, limit=limit)
        faults = log_faults(reading)
    lines = [
        f"{one.sequence:>7}  {one.at_utc[:19]}  {one.actor:<16} {one.operation:<16} "
        f"{one.outcome:<8} {one.case_id[:8]} {one.subject}"
        for one in found
    ]
    sound = "The chain of the log is sound." if not faults else "; ".join(faults)
    answer(
        json,
        "accesses",
        {"accesses": [one.fields() for one in found], "faults": list(faults)},
        [*lines, sound],
    )
    if faults:
        raise typer.Exit(3)


def _roles(names: list[str] | None) -> list[Any]:
    from canalwright.records.access.roles import Role

    if not names:
        raise UsageError("Give at least one --role: viewer, student, clinician, supervisor, admin.")
    return [chosen(Role, name, what="role") for name in names]


def _password(file: Path | None) -> str:
    """Return a password from a file or the keyboard; never from the command line."""
    if file is not None:
        try:
            return file.read_text("utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError):
            raise UsageError(f"{file}: the password cannot be read from it.") from None
    if not sys.stdin.isatty():
        raise UsageError("A password is needed: give --password-file FILE.")
    return str(typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True))


def _shown(user: User) -> dict[str, Any]:
    return {
        "name": user.name,
        "display_name": user.display_name,
        "roles": sorted(user.roles),
        "active": user.active,
        "must_change": user.must_change,
    }


def _line(user: User) -> str:
    state = "" if user.active else ", inactive"
    return f"{user.name}: {', '.join(sorted(user.roles))}{state}"
