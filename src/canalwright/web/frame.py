"""What every page shares: its head, the way between places, and the cautions at its foot."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from html import escape
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from nicegui import app, ui

from canalwright.cautions import CLINICAL_CAUTIONS
from canalwright.web import kept
from canalwright.web.words import _

__all__ = ["FONT_FILES", "add_fonts", "page_frame"]

FONT_FILES: Final = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")

_STYLES: Final = ("workbench.css", "places.css")

# A ruler of levels, terminus at the bottom.
_MARK: Final = (
    '<svg width="18" height="26" viewBox="0 0 18 26" aria-hidden="true" fill="none" '
    'stroke="currentColor" stroke-width="1.8">'
    '<path d="M3 2v22M3 3h11M3 8h6M3 13h11M3 18h6M3 23h11"/>'
    "</svg>"
)

_FACES: Final = "".join(
    f'@font-face {{ font-family: "DejaVu Sans"; src: url("/fonts/{name}") format("truetype"); '
    f"font-weight: {'700' if 'Bold' in name else '400'}; font-display: block; }}\n"
    for name in FONT_FILES
)


# Dark or light is remembered by the browser, and set before anything is seen.
_THEME: Final = """<script>
(() => {
  const kept = localStorage.getItem("theme");
  const dark = kept ? kept === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  document.body.classList.toggle("body--dark", dark);
  window.canalwrightTheme = (wanted) => {
    localStorage.setItem("theme", wanted ? "dark" : "light");
    Quasar.Dark.set(wanted);
  };
  addEventListener("load", () => setTimeout(() => window.Quasar && Quasar.Dark.set(dark), 0));
})();
</script>"""


def add_fonts() -> None:
    """Serve the fonts that figures are drawn with, from the plotting library's own folder."""
    spec = find_spec("matplotlib")
    if spec is None or spec.origin is None:
        return
    folder = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    for name in FONT_FILES:
        app.add_static_file(local_file=folder / name, url_path=f"/fonts/{name}")


@contextmanager
def page_frame(
    title: str, *, place: str, where: str = "", links: tuple[tuple[str, str, str], ...] = ()
) -> Iterator[None]:
    """Draw the frame of a page; what is made inside the context becomes its content.

    Parameters
    ----------
    title : str
        For the window.
    place : str
        Key of the current place.
    where : str
        Case and canal, shown at the right.
    links : tuple of (key, label, address)
        Places of the current canal, between the fixed ones.
    """
    ui.page_title(f"{title} – Canalwright")
    ui.colors(primary="#0b5a55", secondary="#4a4f4c", accent="#0b5a55", negative="#8f1d12")
    ui.add_css(_FACES + _style())
    ui.add_body_html(f"{_THEME}<script>{kept.script()}</script>")
    ui.html(_bar(place, where, links), sanitize=False, tag="header").classes("bar")
    # The framework's own layout is the page's main landmark already.
    with ui.element("div").classes("content").props('id="content" tabindex="-1"'):
        yield
    ui.html(_foot(), sanitize=False, tag="footer").classes("foot").props(
        f'aria-label="{escape(_("Cautions for every page"))}"'
    )


def _places() -> tuple[tuple[str, str, str], ...]:
    return (
        ("cases", _("Cases"), "/"),
        ("instruments", _("Instruments"), "/instruments"),
        ("compare", _("Compare"), "/compare"),
        ("outcomes", _("Outcomes"), "/outcomes"),
        ("teach", _("Teach"), "/teach"),
        ("settings", _("Settings"), "/settings"),
    )


def _style() -> str:
    folder = files("canalwright.web").joinpath("static")
    return "\n".join(folder.joinpath(name).read_text("utf-8") for name in _STYLES)


def _bar(place: str, where: str, links: tuple[tuple[str, str, str], ...]) -> str:
    anchors = _anchors(_places(), place)
    if links:
        anchors += '<span class="divide" aria-hidden="true"></span>' + _anchors(links, place)
    return (
        '<a class="skip" href="#content">' + escape(_("Skip to the content")) + "</a>"
        f'<a class="mark" href="/">{_MARK}Canalwright</a>'
        f'<nav aria-label="{escape(_("Places"))}">{anchors}</nav>'
        f'<span class="where" title="{escape(where)}">{escape(where)}</span>'
        '<button type="button" class="theme" onclick="canalwrightTheme(!Quasar.Dark.isActive)" '
        f'aria-label="{escape(_("Switch between dark and light"))}">◐</button>'
    )


def _anchors(places: tuple[tuple[str, str, str], ...], place: str) -> str:
    return "".join(
        f'<a href="{escape(address)}"{_current(key == place)}>{escape(label)}</a>'
        for key, label, address in places
    )


def _current(here: bool) -> str:
    return ' aria-current="page"' if here else ""


def _foot() -> str:
    return " ".join(escape(caution.text) for caution in CLINICAL_CAUTIONS)
