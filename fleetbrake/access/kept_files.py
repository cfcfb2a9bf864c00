"""Downloads belong to whom the server told their address: an address that somebody passed on opens nothing."""

import re
import threading
from collections import OrderedDict
from typing import Final

#: How a page is told of a file kept for download.
_MARK: Final = b"/media/"
_TOLD: Final = re.compile(rb"/media/([0-9a-f]{32,64})")
#: Addresses remembered; the oldest go first. Own choice: some megabytes, and more than pages tell in a day.
_MOST: Final = 50_000


class KeptFiles:
    """Who was told which file. Safe to use from several threads."""

    def __init__(self, most: int = _MOST) -> None:
        self._told: OrderedDict[tuple[str, str], None] = OrderedDict()
        self._most = most
        self._lock = threading.Lock()

    def note(self, message: bytes, person: str) -> None:
        """Remember the files whose addresses a message to ``person`` holds."""
        if _MARK not in message:
            return
        with self._lock:
            for name in _TOLD.findall(message):
                entry = (name.decode("ascii"), person)
                self._told[entry] = None
                self._told.move_to_end(entry)
            while len(self._told) > self._most:
                self._told.popitem(last=False)

    def told(self, name: str, person: str) -> bool:
        """Whether ``person`` was told this file's address."""
        with self._lock:
            return (name, person) in self._told
