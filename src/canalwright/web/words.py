"""Words of the workbench in the reader's language: gettext catalogs, English where there is none.

Catalogs lie in ``locale/LANGUAGE/LC_MESSAGES/canalwright.mo`` of this package, or in the folder
that ``CANALWRIGHT_LOCALE`` names; ``tools/collect_words.py`` writes the template to translate.
"""

from __future__ import annotations

import gettext
import os
from functools import cache
from pathlib import Path
from typing import Final

__all__ = ["LANGUAGE_VARIABLE", "LOCALE_VARIABLE", "_", "later", "many"]

LANGUAGE_VARIABLE: Final = "CANALWRIGHT_LANGUAGE"
LOCALE_VARIABLE: Final = "CANALWRIGHT_LOCALE"

_DOMAIN: Final = "canalwright"


def _(text: str) -> str:
    """Return a text in the language of the workbench."""
    return _catalog(os.environ.get(LANGUAGE_VARIABLE, ""), _folder()).gettext(text)


def later(text: str) -> str:
    """Return a text as it is: it belongs in the catalog and is looked up when shown."""
    return text


def many(one: str, several: str, count: int) -> str:
    """Return the form for a number, which stands in the text as ``{count}``."""
    catalog = _catalog(os.environ.get(LANGUAGE_VARIABLE, ""), _folder())
    return catalog.ngettext(one, several, count).format(count=count)


def _folder() -> str:
    return os.environ.get(LOCALE_VARIABLE) or str(Path(__file__).with_name("locale"))


@cache
def _catalog(language: str, folder: str) -> gettext.NullTranslations:
    languages = [language] if language else []
    return gettext.translation(_DOMAIN, folder, languages, fallback=True)
