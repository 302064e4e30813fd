"""The words by which a case is found: lower case, without accents, each once."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

__all__ = ["LONGEST_WORD", "words_of"]

LONGEST_WORD: Final = 60

_WORD: Final = re.compile(r"[^\W_]+")


def words_of(*texts: str) -> list[str]:
    """Return the words of texts, sorted.

    >>> words_of("C-7F3K", "Molar, lower left")
    ['7f3k', 'c', 'left', 'lower', 'molar']
    """
    plain = unicodedata.normalize("NFKD", " ".join(texts).casefold())
    letters = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return sorted({word[:LONGEST_WORD] for word in _WORD.findall(letters)})
