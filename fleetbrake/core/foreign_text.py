"""Text from outside: what an id or a note may hold, and how either is shown where people read.

An id is kept letter by letter as it was given, without blanks around it: upper and lower case, and letters written in
two ways, make two ids. What no id may hold, and how long it may be, stands here once for all ways in.
"""

import unicodedata
from typing import Final

#: Letters of no file's name: control characters and halves of letters (general categories of the Unicode standard).
_NO_LETTERS: Final = ("Cc", "Cs")
#: What turns the direction of writing: UAX #9, the characters with the property Bidi_Control (from memory).
_TURNING: Final = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
#: Letters of an id (own choice: far more than any fleet uses; a name of a file may have 255 bytes).
MOST_ID: Final = 200
#: Letters of a note that a register brings (own choice: two printed pages); forms take 2,000.
MOST_NOTE: Final = 10_000
#: Letters of whoever enters something (own choice: a sign-in gives what it likes; lists show both ends of it).
MOST_NAME: Final = 2_000
#: Letters of a sentence that a command or a log tells (own choice: some lines of a terminal).
MOST_SENTENCE: Final = 2_000


def id_problem(text: str) -> str | None:
    """Why a text cannot be an id, in words that follow "the id ..."; None if it can."""
    if "\0" in text:
        return "holds a zero character"
    if len(text) > MOST_ID:
        return f"has {len(text):,} letters, more than {MOST_ID}"
    return None if text.isascii() or _whole(text) else "holds half of a character"


def kept_id(text: str) -> str:
    """An id as it is kept: without blanks around it, as loggers with fields of a fixed width write them."""
    return text.strip()


def visible(text: str) -> str:
    """The text with a mark for each character that nobody sees: those that steer a terminal, turn the direction of
    writing, break a line or have no width."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)


def deceptive(name: str) -> bool:
    """Whether a file's name holds what no file is named with, or what makes its end look like another."""
    return any(letter in _TURNING or unicodedata.category(letter) in _NO_LETTERS for letter in name)


def shortened(text: str, most: int) -> str:
    """The text with ``…`` in its middle where it is longer than ``most`` letters: ids often differ at their end."""
    if len(text) <= most:
        return text
    tail = (most - 1) // 3
    return f"{text[: most - 1 - tail].rstrip()}…{text[len(text) - tail :].lstrip()}"


def _whole(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True
