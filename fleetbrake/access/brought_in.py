"""What is brought in: sheets of findings, few at a time, refused by what they announce and how they begin."""

import asyncio
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Final

from fleetbrake.access.addresses import LARGEST_UPLOAD
from fleetbrake.access.asgi import Message, Receive
from fleetbrake.access.caller import Caller
from fleetbrake.access.keeper import Brought
from fleetbrake.core.foreign_text import deceptive

#: Files of one person that are kept until they are taken in, over all pages he has open, and their bytes together. Own
#: choice: a page keeps one sheet; each may be of LARGEST_UPLOAD.
MOST_KEPT: Final = 8
MOST_KEPT_BYTES: Final = 12_000_000
#: Longest time that a file may take to come (s). Own choice: 2 MB over the slowest line that pages can be read on.
LONGEST_S: Final = 120.0
#: Longest announcement of a file (bytes). Own choice: browsers write some hundred.
_LONGEST_HEAD: Final = 4_000
#: So many bytes of a file are looked at (bytes); own choice: some rows of a sheet.
_BEGIN: Final = 1_000

#: What a browser writes before a file: RFC 7578 section 4.2 (from memory); quotes in names come as %22.
_NAMED: Final = re.compile(r'content-disposition: *form-data; *name="[^"]*"; *filename="([^"]*)"', re.IGNORECASE)
_KIND: Final = re.compile(r"content-type: *[a-z]+/[a-z0-9.+-]+(?:;.*)?", re.IGNORECASE)
#: How text in 16 bits begins, as one spreadsheet program in two saves it (byte order marks of the Unicode standard).
_WIDE_TEXT: Final = (b"\xff\xfe", b"\xfe\xff")
#: Control characters that stand in text.
_IN_TEXT: Final = frozenset(b"\t\n\x0b\x0c\r\x1a")

Refusal = tuple[int, str]

NOT_YOURS: Final = "This file is not for you, or your sign-in has ended. Open its page again."
NO_SHEET: Final = "Only a sheet of findings as CSV text can be brought in."
TOO_LARGE: Final = "The file is too large."
TOO_MANY: Final = "Other files of yours wait. Take them out of their pages, or close these and wait some minutes."
_TOO_SLOW: Final = "The file took too long to come."
_NO_LENGTH: Final = "The size of the file has to be told first."


def is_sheet(name: str) -> bool:
    """Whether a file of this name may be a sheet of findings."""
    return name.lower().endswith(".csv") and "/" not in name and not deceptive(name)


def announced_wrongly(caller: Caller, method: str, headers: Mapping[str, str]) -> Refusal | None:
    """Files are brought in by those who may act, one of a told and small size at a time."""
    if not caller.viewer.may_act:
        return 403, NOT_YOURS
    if method != "PUT":
        return None
    told = headers.get("content-length", "")
    if not told.isascii() or not told.isdigit() or "transfer-encoding" in headers:
        return 411, _NO_LENGTH
    return (413, TOO_LARGE) if len(told) > 12 or int(told) > LARGEST_UPLOAD else None


async def sheet_from(receive: Receive, seconds: float = LONGEST_S) -> bytes | Refusal | None:
    """The body of a request that brings a sheet in, or why it is refused; None where it never came to its end.

    What does not begin as a sheet is refused from its first some thousand bytes, and the rest of it is not read.
    """
    parts: list[bytes] = []
    head = b""
    try:
        async with asyncio.timeout(seconds):
            while True:
                message = await receive()
                if message["type"] != "http.request":
                    return None
                parts.append(message.get("body", b""))
                more = bool(message.get("more_body", False))
                if not _enough(head):
                    head += parts[-1][: _LONGEST_HEAD + _BEGIN]
                    if (_enough(head) or not more) and not _begins_with_sheet(head):
                        return 415, NO_SHEET
                if sum(map(len, parts)) > LARGEST_UPLOAD:
                    return 413, TOO_LARGE
                if not more:
                    return b"".join(parts)
    except TimeoutError:
        return 408, _TOO_SLOW


def told_again(body: bytes, receive: Receive) -> Receive:
    """``receive`` that tells a body that was read already, then what comes."""
    waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def _receive() -> Message:
        return waiting.pop() if waiting else await receive()

    return _receive


def _enough(head: bytes) -> bool:
    announcement, ended, begin = head.partition(b"\r\n\r\n")
    return len(announcement) > _LONGEST_HEAD or (bool(ended) and len(begin) >= _BEGIN)


def _begins_with_sheet(head: bytes) -> bool:
    """Whether the first part is a file that is named as a sheet and is text; a second file the framework refuses."""
    announcement, ended, begin = head.partition(b"\r\n\r\n")
    if not ended or len(announcement) > _LONGEST_HEAD:
        return False
    boundary, *lines = announcement.decode("utf-8", "replace").split("\r\n")
    named = [found[1] for line in lines if (found := _NAMED.fullmatch(line))]
    kinds = [line for line in lines if _KIND.fullmatch(line)]
    as_browsers = len(named) == 1 and len(kinds) <= 1 and len(lines) == len(named) + len(kinds)
    return boundary.startswith("--") and as_browsers and is_sheet(named[0]) and _is_text(begin[:_BEGIN])


def _is_text(begin: bytes) -> bool:
    """Whether it may be text: no control characters that text has not. Workbooks, pictures and archives have some."""
    return begin.startswith(_WIDE_TEXT) or all(byte >= 32 or byte in _IN_TEXT for byte in begin)


class Coming:
    """How many files of each person are on their way, beside those that are kept."""

    def __init__(self) -> None:
        self._number: Counter[str] = Counter()

    @contextmanager
    def one_more(self, person: str, kept: Iterable[Brought]) -> Iterator[bool]:
        """Whether one more file may come; it counts as long as the context is open."""
        waiting = list(kept)
        files = sum(one.files for one in waiting) + self._number[person]
        size = sum(one.size for one in waiting) + (self._number[person] + 1) * LARGEST_UPLOAD
        self._number[person] += 1
        try:
            yield files < MOST_KEPT and size <= MOST_KEPT_BYTES
        finally:
            self._number[person] -= 1
            if not self._number[person]:
                del self._number[person]


def of_person(brought: Mapping[str, Brought], is_theirs: Callable[[str], bool]) -> list[Brought]:
    """What is kept for the open pages of one person."""
    return [kept for session, kept in brought.items() if is_theirs(session)]
