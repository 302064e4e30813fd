"""The settings place: who one is, appearance, users, shares, accesses, records, notices."""

from __future__ import annotations

from html import escape
from typing import Final

from nicegui import ui

from canalwright.errors import CanalwrightError
from canalwright.records.access.gate import Gate
from canalwright.records.access.roles import Operation
from canalwright.records.access.users import LOCAL_USER
from canalwright.records.doctor import Examination
from canalwright.web import html
from canalwright.web.frame import page_frame
from canalwright.web.housekeeping import (
    About,
    AccessLog,
    about,
    access_log,
    examined,
    make_backup,
    signs_in,
)
from canalwright.web.pages.asking import entry
from canalwright.web.pages.parts import part
from canalwright.web.pages.people import ShareDesk, UserDesk
from canalwright.web.running import in_thread, page_is_open, show_trouble, working
from canalwright.web.words import _

__all__ = ["SettingsPage"]

_DARK: Final = "canalwrightTheme(true)"
_LIGHT: Final = "canalwrightTheme(false)"


class SettingsPage:
    """The settings place of one visitor."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate

    async def build(self) -> None:
        """Draw the page."""
        with page_frame(_("Settings"), place="settings"):
            with ui.element("div").classes("page-head"):
                ui.html(escape(_("Settings")), sanitize=False, tag="h1")
            self._room = ui.element("div").classes("stack")
        if await page_is_open():
            with self._room:
                await self._fill()

    async def _fill(self) -> None:
        try:
            users = await in_thread(signs_in, self._gate)
            known = await in_thread(about, self._gate)
        except CanalwrightError as error:
            show_trouble(error, _("This cannot be shown"))
            return
        self._you(users)
        self._records(known)
        if self._gate.allows(Operation.USER_LIST):
            await UserDesk(self._gate, users).show()
        if users and self._gate.allows(Operation.CASE_SHARE):
            await ShareDesk(self._gate).show()
        if self._gate.allows(Operation.AUDIT_READ):
            self._accesses()
        _notices(known)

    def _you(self, users: bool) -> None:
        user = self._gate.user
        with part(_("You"), "you"):
            roles = ", ".join(sorted(user.roles))
            said = (
                _("Nobody signs in here: whoever sits at this computer may do everything.")
                if user.id == LOCAL_USER.id
                else _("Signed in as {name}; roles: {roles}.").format(name=user.shown, roles=roles)
            )
            ui.html(f"<p>{escape(said)}</p>", sanitize=False)
            with ui.element("div").classes("buttons"):
                if users:
                    _link("/password", _("Change my password"))
                    _link("/sign-out", _("Sign out"))
                ui.button(_("Light")).props("outline").on("click", js_handler=f"() => {_LIGHT}")
                ui.button(_("Dark")).props("outline").on("click", js_handler=f"() => {_DARK}")

    def _records(self, known: About) -> None:
        with part(_("Records"), "records"):
            said = _("Everything is kept in {place}, and nowhere else.").format(place=known.place)
            ui.html(f"<p>{escape(said)}</p>", sanitize=False)
            keeps = self._gate.allows(Operation.BACKUP_MAKE)
            if not keeps and not self._gate.allows(Operation.DOCTOR):
                ui.label(_("Backup and examination are for administrators.")).classes("soft")
                return
            with ui.element("div").classes("buttons fields"):
                if keeps:
                    self._passphrase = entry(
                        _("Passphrase of the backup"),
                        hint=_("Empty: not encrypted"),
                        password=True,
                    ).style("min-width:18rem")
                    ui.button(_("Back up now"), on_click=self._back_up)
                if self._gate.allows(Operation.DOCTOR):
                    ui.button(_("Examine the records"), on_click=self._examine).props("outline")
            self._result = ui.element("div").classes("stack").props('role="status"')

    async def _back_up(self) -> None:
        self._result.clear()
        with self._result:
            try:
                with working(_("Backing up"), can_stop=True) as progress:
                    secret = self._passphrase.value or ""
                    made = await in_thread(make_backup, self._gate, secret, progress)
            except CanalwrightError as error:
                show_trouble(error, _("No backup was made"))
                return
            kind = _("encrypted") if made["encrypted"] else _("not encrypted")
            said = (
                _(
                    "Backed up and read back: {path} ({size_mb:.1f} MB, {files} files, {kind}). "
                    "Copy it to another machine."
                ).format(kind=kind, **made),
                _("Head of the history: {head}").format(**made),
            )
            ui.html(html.paragraphs(said), sanitize=False)

    async def _examine(self) -> None:
        self._result.clear()
        with self._result:
            try:
                with working(_("Examining the records"), can_stop=True) as progress:
                    found = await in_thread(examined, self._gate, progress)
            except CanalwrightError as error:
                show_trouble(error, _("The records could not be examined"))
                return
            _show_examination(found)

    def _accesses(self) -> None:
        with part(_("Log of accesses"), "accesses"):
            folded = ui.expansion(_("The last 100"), on_value_change=self._open_log)
            with folded.classes("full-width").props("dense"):
                self._log = ui.element("div").classes("stack")

    async def _open_log(self) -> None:
        self._log.clear()
        with self._log:
            try:
                found = await in_thread(access_log, self._gate)
            except CanalwrightError as error:
                show_trouble(error, _("This cannot be shown"))
                return
            _show_log(found)


def _link(address: str, label: str) -> None:
    ui.html(f'<a class="link-button" href="{address}">{escape(label)}</a>', sanitize=False)


def _show_examination(found: Examination) -> None:
    said = [
        _("{cases} cases, {files} files, history of {entries} entries, layout {layout}.").format(
            cases=found.cases, files=found.files, entries=found.entries, layout=found.layout
        ),
        *(_("Note: {note}").format(note=note) for note in found.notes),
        _("Head of the history: {head}").format(head=f"{found.sequence}:{found.hash}"),
    ]
    if found.sound:
        ui.html(
            html.paragraphs(
                [_("The records are sound. Note the head to prove later that nothing changed.")]
            ),
            sanitize=False,
        )
    else:
        with ui.element("section").classes("trouble").props('role="alert"'):
            title = escape(_("The records are damaged"))
            ui.html(f"<h2>{title}</h2>{html.sentence_list(found.faults)}", sanitize=False)
    ui.html(html.paragraphs(said), sanitize=False)


def _show_log(found: AccessLog) -> None:
    columns = (
        (_("no."), "right"), (_("when (UTC)"), "left"), (_("who"), "left"), (_("what"), "left"),
        (_("case"), "left"), (_("about"), "text"), (_("answer"), "left"),
    )  # fmt: skip
    rows = [
        (
            str(one.sequence),
            escape(one.at_utc[:19].replace("T", " ")),
            escape(one.actor),
            escape(one.operation),
            escape(one.case_id[:8]),
            escape(one.subject),
            escape(one.outcome),
        )
        for one in found.accesses
    ]
    sound = _("The chain of this log is sound.") if not found.faults else "; ".join(found.faults)
    ui.html(f"<p>{escape(sound)}</p>", sanitize=False)
    ui.html(html.table(_("Accesses"), columns, rows, hide_caption=True), sanitize=False)


def _notices(known: About) -> None:
    with part(_("Version and notices"), "notices"):
        said = _("Canalwright {version} on Python {python}. License: Apache-2.0.").format(
            version=known.version, python=known.python
        )
        ui.html(f"<p>{escape(said)}</p>", sanitize=False)
        with ui.expansion(_("Made with")).classes("full-width").props("dense"):
            columns = ((_("library"), "left"), (_("version"), "left"), (_("license"), "text"))
            rows = [tuple(map(escape, row)) for row in known.libraries]
            ui.html(html.table(_("Made with"), columns, rows, hide_caption=True), sanitize=False)
        with ui.expansion(_("Notice of the 3-D view")).classes("full-width").props("dense"):
            text = escape(known.notice)
            ui.html(f'<pre class="notice" tabindex="0">{text}</pre>', sanitize=False)
