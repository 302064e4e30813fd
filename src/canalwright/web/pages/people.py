"""Users and shares on the settings place."""

from __future__ import annotations

from html import escape
from typing import Final

from nicegui import ui

from canalwright.errors import CanalwrightError
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation, Role
from canalwright.records.access.shares import Shared
from canalwright.records.access.users import User
from canalwright.web import html
from canalwright.web.housekeeping import (
    amend_user,
    make_user,
    share_case,
    sharers,
    unshare_case,
    users_of,
)
from canalwright.web.pages.asking import Asked, ask, choice, done, entry
from canalwright.web.pages.parts import part
from canalwright.web.practice import reachable_cases
from canalwright.web.running import in_thread, show_trouble, tell
from canalwright.web.words import _

__all__ = ["ShareDesk", "UserDesk"]

_ROLES: Final = {str(role): str(role) for role in Role}


def _role_words() -> dict[str, str]:
    """Return what every role may do, in brief."""
    return {
        str(Role.VIEWER): _("looks at cases shared with them"),
        str(Role.STUDENT): _("plans and logs; a supervisor signs"),
        str(Role.CLINICIAN): _("treats, shares, keeps instruments"),
        str(Role.SUPERVISOR): _("sees every case and signs plans"),
        str(Role.ADMIN): _("keeps users and backups; sees no case by that role alone"),
    }


class UserDesk:
    """Users, for somebody who may list them."""

    def __init__(self, gate: Gate, users: bool) -> None:
        self._gate = gate
        self._signs_in = users

    async def show(self) -> None:
        """Show the users and what may be changed."""
        try:
            found = await in_thread(users_of, self._gate)
        except CanalwrightError as error:
            show_trouble(error, _("This cannot be shown"))
            return
        with part(_("Users"), "users"):
            if not found:
                text = _(
                    "There are none: this computer alone reaches the workbench. From the first "
                    "user on, who must be an admin, everybody has to sign in."
                )
                ui.html(f"<p>{escape(text)}</p>", sanitize=False)
            for user in found:
                self._row(user)
            with ui.expansion(_("What the roles may do")).classes("full-width").props("dense"):
                said = [f"{role}: {text}." for role, text in _role_words().items()]
                ui.html(html.sentence_list(said), sanitize=False)
            if self._gate.allows(Operation.USER_EDIT):
                with ui.element("div").classes("buttons"):
                    ui.button(_("Add a user …"), on_click=self._ask_add).props("outline")

    def _row(self, user: User) -> None:
        notes = [", ".join(sorted(user.roles))]
        notes += [] if user.active else [_("cannot sign in")]
        notes += [_("has to replace the password")] if user.must_change else []
        with ui.element("div").classes("person"):
            named = f" ({escape(user.display_name)})" if user.display_name else ""
            ui.html(f"<b>{escape(user.name)}</b>{named}", sanitize=False)
            ui.label(" · ".join(notes)).classes("soft")
            if self._gate.allows(Operation.USER_EDIT):
                button = ui.button(_("Change …"), on_click=lambda: self._ask_change(user))
                button.props("flat dense").props(
                    f'aria-label="{escape(_("Change {name}").format(name=user.name))}"'
                )

    def _ask_add(self) -> None:
        first = not self._signs_in
        asked = Asked(
            _("Add a user"),
            _("The first user is an admin; you sign in as that user from then on.")
            if first
            else _("They have to replace the password when they first sign in."),
            _("Add them"),
            lambda: make_user(
                self._gate,
                (name.value or "").strip(),
                roles.value or [],
                password.value or "",
                shown.value or "",
            ),
            done(_("The user is added.")),
        )
        with asked.fields:
            name = entry(_("Name"), hint=_("Lower-case letters, digits, dots, dashes"))
            shown = entry(_("Name for people"))
            start = [str(Role.ADMIN), str(Role.CLINICIAN)] if first else []
            roles = choice(_("Roles"), _ROLES, start, multiple=True)
            password = entry(
                _("First password"), hint=_("12 characters or more"), password=True
            ).props('autocomplete="new-password"')
        asked.open()

    def _ask_change(self, user: User) -> None:
        asked = Asked(
            _("Change {name}").format(name=user.name),
            _("They are signed out everywhere."),
            _("Change them"),
            lambda: amend_user(
                self._gate,
                user.name,
                roles=roles.value or [],
                active=bool(active.value),
                display_name=shown.value or "",
                password=password.value or "",
            ),
            done(_("The user is changed.")),
        )
        with asked.fields:
            shown = entry(_("Name for people"), user.display_name)
            roles = choice(_("Roles"), _ROLES, sorted(map(str, user.roles)), multiple=True)
            active = ui.checkbox(_("May sign in"), value=user.active)
            password = entry(_("New password"), hint=_("Empty: it stays"), password=True).props(
                'autocomplete="new-password"'
            )
        asked.open()


class ShareDesk:
    """Who else reaches a case, for somebody who may share."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate
        self._case_id = ""

    async def show(self) -> None:
        """Show the choice of a case."""
        with part(_("Shares of a case"), "shares"):
            try:
                cases = await in_thread(reachable_cases, self._gate)
            except CanalwrightError as error:
                show_trouble(error, _("This cannot be shown"))
                return
            choice(
                _("Case"), cases, None, search=True,
                on_change=lambda event: self._chosen(event.value or ""),
            ).style("max-width:30rem")  # fmt: skip
            self._room = ui.element("div").classes("stack")

    async def _chosen(self, case_id: str) -> None:
        self._case_id = case_id
        await self._show()

    async def _show(self) -> None:
        self._room.clear()
        if not self._case_id:
            return
        with self._room:
            try:
                found = await in_thread(sharers, self._gate, self._case_id)
            except CanalwrightError as error:
                show_trouble(error, _("This cannot be shown"))
                return
            for one in found:
                self._row(one)
            if not found:
                ui.label(_("Only those reach it whose role reaches every case.")).classes("soft")
            with ui.element("div").classes("buttons"):
                ui.button(_("Share it …"), on_click=self._ask_share).props("outline")

    def _row(self, one: Shared) -> None:
        with ui.element("div").classes("person"):
            named = f" ({escape(one.display_name)})" if one.display_name else ""
            ui.html(f"<b>{escape(one.name)}</b>{named}", sanitize=False)
            ui.label(_("may edit") if one.may_edit else _("may look")).classes("soft")
            if one.name != self._gate.user.name:
                button = ui.button(_("Take back …"), on_click=lambda: self._ask_unshare(one))
                button.props("flat dense").props(
                    f'aria-label="{escape(_("Take back from {name}").format(name=one.name))}"'
                )

    def _ask_share(self) -> None:
        asked = Asked(
            _("Share this case"),
            "",
            _("Share it"),
            lambda: share_case(
                self._gate, self._case_id, name.value or "", may_edit=bool(edits.value)
            ),
            self._changed,
        )
        with asked.fields:
            name = entry(_("Name of the user"))
            edits = ui.checkbox(_("May edit, not only look"))
        asked.open()

    def _ask_unshare(self, one: Shared) -> None:
        ask(
            _("Take the share back from {name}").format(name=one.name),
            _("They no longer reach this case, unless their role reaches every case."),
            _("Take it back"),
            lambda: unshare_case(self._gate, self._case_id, one.name),
            self._changed,
        )

    async def _changed(self, _made: None) -> None:
        tell(_("The shares are changed."))
        await self._show()
