"""Drivers' ids out of what a run says: logs and lines for whatever watches leave the store.

Recordings are told by the fingerprint of their path: a name that no table knows yet may be a driver's. The store's log
of files has the paths: ``SELECT path FROM ingest_log WHERE starts_with(sha256(path), '3f2a...')``.
"""

import re
from collections.abc import Iterable
from hashlib import sha256
from pathlib import Path
from typing import Final

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.reports.names_in_text import NamesInText
from fleetbrake.reports.privacy import all_drivers
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.forgetting.tombstones import Tombstones, read_tombstones

#: What stands where a driver's id was. No alias: a log outlives the key of the aliases.
LEFT_OUT: Final = "…"
#: A register's row that was not taken is told with its value.
_TOLD_VALUE: Final = re.compile(r"""(\bdriver_?id\s*=\s*)('[^']*'|"[^"]*")""", re.IGNORECASE)
#: The path of a recording in a sentence: from a root on, which stands before it, up to the ending.
#: A name may hold line breaks.
_RECORDING: Final = re.compile(
    r"(?<![\w./\\])(?:[A-Za-z]:)?[/\\](?:[^\n]|\n(?=[^\n]*\.parquet))*?\.parquet(?![\w/\\])", re.IGNORECASE
)
_DIGITS: Final = 12


def numbered(path: str) -> str:
    """A recording by the fingerprint of its path."""
    return f"file {sha256(path.encode('utf-8', 'surrogatepass')).hexdigest()[:_DIGITS]}"


class NamesLeftOut:
    """``names(text)``: the text with every id left out that the store knows for a driver's, or for a forgotten one's.

    A recording's path becomes its fingerprint.

    Of a store without published tables no driver is known; after ``driver_id=`` anything is left out.
    """

    def __init__(self, store: Path) -> None:
        self._store = store
        self._names = _without(())
        self._forgetter = Forgetter(Tombstones())
        self.read()

    def read(self) -> None:
        """Read the drivers anew, after recordings came in."""
        try:
            self._forgetter = Forgetter(read_tombstones(self._store))
            self._names = _without(all_drivers(self._store))
        except FleetbrakeError:  # nothing was published yet, or it cannot be read: the run itself will say so
            return

    def __call__(self, text: str) -> str:
        """The text as it may be said."""
        text = _RECORDING.sub(lambda found: numbered(found[0]), text)
        return self._names(self._forgetter.text(_TOLD_VALUE.sub(rf"\1{LEFT_OUT}", text)))


def _without(ids: Iterable[str]) -> NamesInText:
    # one id that no text holds, since without any nothing is looked for, not even a folder named after a driver
    return NamesInText([*ids, "\N{NULL}a\N{NULL}"], lambda _: LEFT_OUT)
