"""What a command that may be killed says of itself, in memory shared with whoever kills it.

The product is wrapped from outside, in the child alone: which phases it is in, how many file operations it began, and
at which of them it is to wait for its end or to end itself.
"""

import mmap
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from fleetbrake import taking_in
from fleetbrake.store import database, lake_blocks
from fleetbrake.store import log_writing as logs
from fleetbrake.store.gathering import Gathering
from fleetbrake.store.lake import Lake

#: What keeps a store whole or not; renames apart by what is renamed.
PHASES: Final = ("decode", "piece", "log", "publish", "rename database", "rename log", "rename lake", "rename other")
#: Phases that take long: a kill comes at any moment within. In the others the child waits, before or after the call.
LONG: Final = ("decode", "publish")
#: Operations on files that are counted, besides opening one for writing and forcing one to the disk.
_OPERATIONS: Final = frozenset(
    ("os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.truncate", "os.link", "os.chmod", "sqlite3.connect")
)
_WRITING: Final = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
_ENDED, _WAITS, _OPERATION, _FIRST = range(4)


class Marks:
    """Numbers that the child writes and the one who kills reads."""

    def __init__(self) -> None:
        self._memory = mmap.mmap(-1, 4096)
        self._numbers = memoryview(self._memory).cast("q")
        self._lock = threading.Lock()

    def begin(self) -> None:
        """All numbers 0 again."""
        self._memory[:] = bytes(4096)

    def end(self) -> None:
        """The command is done: a kill from here on does not count."""
        self._numbers[_ENDED] = 1

    @property
    def ended(self) -> bool:
        """Whether the command was done."""
        return bool(self._numbers[_ENDED])

    @property
    def waits(self) -> bool:
        """Whether the child is where it is to be killed."""
        return bool(self._numbers[_WAITS])

    def here(self) -> None:
        """The child is there."""
        self._numbers[_WAITS] = 1

    def operation(self) -> int:
        """Count one operation on files; its number, from 1 on."""
        with self._lock:
            self._numbers[_OPERATION] += 1
            return int(self._numbers[_OPERATION])

    @property
    def operations(self) -> int:
        """How many operations on files were begun."""
        return int(self._numbers[_OPERATION])

    def enter(self, phase: str) -> int:
        """The child enters a phase; for the how-manieth time."""
        at = _FIRST + 2 * PHASES.index(phase)
        with self._lock:
            self._numbers[at] += 1
            return int(self._numbers[at])

    def leave(self, phase: str) -> None:
        """The child leaves it."""
        with self._lock:
            self._numbers[_FIRST + 2 * PHASES.index(phase) + 1] += 1

    @property
    def visits(self) -> dict[str, int]:
        """How often each phase was entered."""
        return {phase: int(self._numbers[_FIRST + 2 * at]) for at, phase in enumerate(PHASES)}

    @property
    def inside(self) -> list[str]:
        """Phases that the child is in."""
        found = []
        for at, phase in enumerate(PHASES):
            entered, left = self._numbers[_FIRST + 2 * at], self._numbers[_FIRST + 2 * at + 1]
            found += [phase] if entered > left else []
        return found


def watched(marks: Marks, kill: dict[str, Any]) -> None:
    """Wrap the product in this process: phases and operations are marked, and waited at as ``kill`` says."""

    def phase(owner: Any, name: str, told: Callable[..., str | None]) -> None:
        real = getattr(owner, name)

        def wrapped(*args: Any, **named: Any) -> Any:
            which = told(*args)
            if which is None:
                return real(*args, **named)
            with _Phase(marks, kill, which):
                return real(*args, **named)

        setattr(owner, name, wrapped)

    phase(taking_in, "_tables", lambda *_: "decode")
    phase(Gathering, "bring", lambda *_: "piece")
    phase(Gathering, "_block", lambda *_: "piece")
    phase(Lake, "write_piece", lambda *_: "piece")
    phase(logs, "write_parquet", lambda *_: "log")
    phase(lake_blocks.Blocks, "write_index", lambda *_: "piece")
    phase(os, "replace", lambda _, target, *__: _renamed(str(target)))
    _publishing(marks, kill)
    _operations(marks, kill)


class _Phase:
    """One visit of a phase."""

    def __init__(self, marks: Marks, kill: dict[str, Any], phase: str) -> None:
        self._marks, self._phase, self._kill = marks, phase, kill

    def __enter__(self) -> None:
        visit = self._marks.enter(self._phase)
        self._chosen = self._kill.get("phase") == self._phase and visit == self._kill["visit"]
        if self._chosen and self._kill["where"] == "within":
            self._marks.here()  # and goes on
        elif self._chosen and self._kill["where"] == "before":
            self._wait()

    def __exit__(self, *_: object) -> None:
        if self._chosen and self._kill["where"] == "after":
            self._wait()
        self._marks.leave(self._phase)

    def _wait(self) -> None:
        self._marks.here()
        time.sleep(60.0)


def _renamed(target: str) -> str:
    path = Path(target)
    if path.name == database.DATABASE_NAME:
        return "rename database"
    if path.name == "log.parquet":
        return "rename log"
    return "rename lake" if path.parent.name in ("events", "event_wheels", "blocks", "lake") else "rename other"


def _publishing(marks: Marks, kill: dict[str, Any]) -> None:
    """From the private copy, which was opened, to the moment in which it is put in place."""
    making, putting = database.create_tables, database._publish
    under_way: list[_Phase] = []

    def made(*args: Any) -> None:
        under_way.append(_Phase(marks, kill, "publish"))
        under_way[-1].__enter__()
        making(*args)

    def put(*args: Any) -> None:
        if under_way:
            under_way.pop().__exit__()
        putting(*args)

    database.create_tables, database._publish = made, put


def _operations(marks: Marks, kill: dict[str, Any]) -> None:
    """Count what is done to files below the folder of the trial; end at the chosen one, before it is done."""
    below, last = str(kill["below"]), kill.get("operation")

    def one(what: str) -> None:
        if marks.operation() == last:
            sys.stderr.write(f"killed before operation {last}: {what}\n")
            sys.stderr.flush()
            os.kill(os.getpid(), signal.SIGKILL)

    def audit(event: str, args: tuple[Any, ...]) -> None:
        if event == "open":
            if isinstance(args[2], int) and args[2] & _WRITING and _name(args[0]).startswith(below):
                one(f"open {_name(args[0])}")
        elif event in _OPERATIONS and any(below in _name(arg) for arg in args[:2]):
            one(f"{event} {_name(args[0])}")

    sys.addaudithook(audit)
    real = os.fsync

    def fsync(handle: int) -> None:
        one("fsync")
        real(handle)

    os.fsync = fsync  # type: ignore[assignment]


def _name(what: object) -> str:
    return os.fsdecode(what) if isinstance(what, (str, bytes, os.PathLike)) else ""
