"""The product broken on purpose, in the child alone: trials that find nothing here would find nothing anywhere."""

import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from fleetbrake import taking_in
from fleetbrake.store import database


def _published_in_place() -> None:
    """The published file is written where readers look, and the run dies half-way."""

    def put(part: Path, path: Path) -> None:
        content = part.read_bytes()
        with path.open("wb") as file:
            file.write(content[: len(content) // 2])
        _die()

    database.put_in_place = put


def _log_first() -> None:
    """The log names pieces whose rows are not in the lake yet, and the run dies before they are."""

    def commit(self: Any) -> None:
        if self._entries:
            self._commit(self._entries)
            _die()

    taking_in._Portion.commit = commit  # type: ignore[method-assign]


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


#: By name, with the command that it breaks.
BROKEN: Final[dict[str, tuple[str, Callable[[], None]]]] = {
    "published in place": ("plan", _published_in_place),
    "log before the rows": ("ingest of more", _log_first),
}
