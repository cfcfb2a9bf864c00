"""Texts as ids are looked for in them: without case, width and form; blanks, ``_``, dashes and dots are all alike."""

import re
import unicodedata
from functools import lru_cache
from typing import Final

#: What has to stand before an id that is a short number, very short, or a word of our own sentences.
AFTER_DRIVER: Final = re.compile(r"drivers?(?:[ _]?id)?[\W_]{0,3}\Z", re.IGNORECASE)
#: At most so many characters before an id can match :data:`AFTER_DRIVER`.
BEFORE: Final = 18
_ASCII_WORD: Final = re.compile(r"[0-9A-Za-z]+")
#: What separates the parts of an id, all alike: a blank of any kind, a dash of any kind, a dot.
SEPARATOR: Final = "-"


def fold_text(text: str) -> tuple[str, list[int]]:
    """The text as it is compared, and for each of its characters the place in the text."""
    told: list[str] = []
    places: list[int] = []
    for place, character in enumerate(text):
        for one in _fold(character):
            if one == SEPARATOR and told and told[-1] == SEPARATOR:
                places[-1] = place
                continue
            told.append(one)
            places.append(place)
    return "".join(told), places


def in_word(character: str) -> bool:
    """Whether a word goes on with this character of a folded text; not so for the empty text at its end."""
    return character.isalnum() or (character != "" and unicodedata.combining(character) > 0)


def word_spans(told: str) -> list[tuple[int, int]]:
    """Where each word of a folded text begins and ends."""
    if told.isascii():
        return [found.span() for found in _ASCII_WORD.finditer(told)]
    spans: list[tuple[int, int]] = []
    for at, character in enumerate(told):
        if not in_word(character):
            continue
        begins = spans.pop()[0] if spans and spans[-1][1] == at else at
        spans.append((begins, at + 1))
    return spans


@lru_cache(maxsize=4096)
def _fold(character: str) -> str:
    """One character without case, width and form; marks of no width vanish, separators become one."""
    kind = unicodedata.category(character)
    if kind == "Cf":
        return ""
    if character in "_." or character.isspace() or kind in ("Pd", "Zs"):
        return SEPARATOR
    return unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", character).casefold())
