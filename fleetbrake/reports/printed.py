"""Foreign text as a typesetter, a picture or a workbook can hold it: what cannot be printed shows as a mark."""

import re
import unicodedata
from collections.abc import Container
from typing import Any, Final

MARK: Final = "\N{REPLACEMENT CHARACTER}"

#: XML 1.0 has no place for control characters, halves of pairs and non-characters (verified (secondary): production
#: "Char" as quoted in public sources): a picture with one of them stops the program that draws it. Marks that turn the
#: direction of writing reach beyond their own text, and what has no width makes two ids look like one; joiners and the
#: plain marks of direction stay, since words of some scripts and emoji are written with them.
_UNPRINTED: Final = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\xad\u180e\u200b\u2028-\u202e\u2060-\u206f\ud800-\udfff"
    "\ufdd0-\ufdef\ufeff\ufff9-\ufffb\ufffe\uffff\U000e0000-\U000e007f]"
)


def printed(text: str) -> str:
    """The text with a visible mark for each character that cannot be printed."""
    return _UNPRINTED.sub(MARK, text)


def all_printed(told: Any) -> Any:
    """Nested lists and dictionaries, as JSON has them, with :func:`printed` for every text, names included."""
    if isinstance(told, str):
        return printed(told)
    if isinstance(told, dict):
        return {all_printed(name): all_printed(value) for name, value in told.items()}
    if isinstance(told, (list, tuple)):
        return [all_printed(value) for value in told]
    return told


def as_pasted(text: str, known: Container[str]) -> str:
    """An id as it was copied from a document: without characters that nobody sees and blanks around it, where only so
    it is ``known``; else the text as it is."""
    if text in known:
        return text
    seen = "".join(letter for letter in text if unicodedata.category(letter) != "Cf").strip()
    return seen if seen in known else text
