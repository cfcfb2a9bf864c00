"""Downloads belong to whom the server told of them, in the role of then: what somebody passed on opens nothing."""

import threading
from collections import OrderedDict
from collections.abc import Iterable
from typing import Final

#: Things remembered; the oldest go first. Own choice: some megabytes, and more than pages tell in a day.
_MOST: Final = 50_000


class KeptFiles:
    """Who was told of which file, or of which thing that is made on asking. Safe to use from several threads.

    Only what the framework's own parts tell is to be noted: any text of a page may hold what somebody wrote into an
    address, and would else make it theirs.
    """

    def __init__(self, most: int = _MOST) -> None:
        self._told: OrderedDict[tuple[str, str], None] = OrderedDict()
        self._most = most
        self._lock = threading.Lock()

    def note(self, names: Iterable[str], person: str) -> None:
        """Remember what ``person`` was told of."""
        with self._lock:
            for name in names:
                self._told[name, person] = None
                self._told.move_to_end((name, person))
            while len(self._told) > self._most:
                self._told.popitem(last=False)

    def told(self, name: str, person: str) -> bool:
        """Whether ``person`` was told of it."""
        with self._lock:
            return (name, person) in self._told
