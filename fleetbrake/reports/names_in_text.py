"""Drivers' ids inside free text: found and replaced, whatever else the text says."""

import re
from collections.abc import Callable, Iterable
from typing import Final

#: An id of digits alone counts from this length on wherever it stands; own choice: row numbers and years are shorter.
_TELLING_DIGITS: Final = 6
#: A shorter id that is no number counts from this length on; own choice.
_TELLING_LENGTH: Final = 3
#: What has to stand before an id that is a short number or very short, so that row numbers stay row numbers.
_AFTER_DRIVER: Final = re.compile(r"driver(?:[ _]?id)?[\W_]{0,3}\Z", re.IGNORECASE)
#: Where an id can begin: not after a letter or digit.
_STARTS: Final = re.compile(r"(?<![^\W_])")


class NamesInText:
    """Replaces every listed id that stands alone in a text, the longest first: ``NamesInText(ids, alias)(text)``.

    Fast for many ids: the text is looked up piece by piece in a set, its length counts and not the number of ids.
    """

    def __init__(self, ids: Iterable[str], alias: Callable[[str], str]) -> None:
        self._alias = alias
        self._ids = frozenset(i for i in ids if i)
        self._lengths = sorted({len(i) for i in self._ids}, reverse=True)

    def __call__(self, text: str) -> str:
        """The text with aliases; without a listed id the text itself."""
        pieces: list[str] = []
        done = 0
        for start in _STARTS.finditer(text) if self._ids else ():
            at = start.start()
            found = self._at(text, at) if at >= done else None
            if found is not None:
                pieces += [text[done:at], self._alias(found)]
                done = at + len(found)
        return "".join([*pieces, text[done:]])

    def _at(self, text: str, at: int) -> str | None:
        """The longest id that begins here and is not part of a longer word."""
        for length in self._lengths:
            found, after = text[at : at + length], text[at + length : at + length + 1]
            alone = len(found) == length and found in self._ids and not after.isalnum()
            if alone and (_telling(found) or _AFTER_DRIVER.search(text[max(0, at - 16) : at])):
                return found
        return None


def _telling(driver_id: str) -> bool:
    return len(driver_id) >= (_TELLING_DIGITS if driver_id.isdigit() else _TELLING_LENGTH)
