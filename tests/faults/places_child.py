"""Commands of the product in child processes, under limits that only a process of its own can have.

A server process loads the product and its kernels once and forks a child for each command, so that a trial costs what
the command itself costs. What a child says goes to a file.
"""

import multiprocessing
import os
import resource
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from multiprocessing import forkserver
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from pathlib import Path

HERE = Path(__file__).resolve().parent

#: Longer than any command here takes on a machine busy with other work.
HANGS_AFTER_S = 240.0

_CONTEXT = multiprocessing.get_context("forkserver")
_CONTEXT.set_forkserver_preload(["faults.places_warm"])

#: Before the seconds that a child took, at the end of what it says.
_SPENT = "\0spent "

#: Seconds of the processor that each child took.
SPENT_S: list[float] = []

#: Called in the child before the command.
Before = Callable[[], None]


@dataclass(frozen=True)
class Ended:
    """How a command ended; ``status`` is None for one that hung, negative for one ended by a signal."""

    status: int | None
    said: str
    cpu_s: float

    @property
    def bad(self) -> str | None:
        """What no fault of the place excuses."""
        if self.status is None:
            return f"it hung: {self.said[-300:]}"
        if self.status < 0:
            return f"it was ended by signal {-self.status}: {self.said[-300:]}"
        if "Traceback (most recent" in self.said or "Exception ignored" in self.said:
            return f"it ended without a sentence of its own: {self.said[-1500:]}"
        return None


class Child:
    """A command at work."""

    def __init__(self, process: ForkServerProcess, pipe: Connection) -> None:
        self.process, self._pipe = process, pipe
        self._said: list[bytes] = []
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def ended(self, timeout_s: float = HANGS_AFTER_S) -> Ended:
        """Wait for it; one that hangs is ended."""
        self.process.join(timeout_s)
        status = self.process.exitcode
        if status is None:
            self.process.kill()
            self.process.join()
        self._listener.join(timeout=5)
        said, _, spent = b"".join(self._said).decode("utf-8", "replace").partition(_SPENT)
        cpu_s = float(spent or 0.0)
        SPENT_S.append(cpu_s)
        return Ended(status, said, cpu_s)

    def said(self) -> str:
        """What it said so far."""
        return b"".join(self._said).decode("utf-8", "replace")

    def _listen(self) -> None:
        with self._pipe:
            while content := os.read(self._pipe.fileno(), 65536):
                self._said.append(content)


def start(work: Callable[[], int | None], *, uid: int | None = None, file_limit: int | None = None) -> Child:
    """Begin ``work`` in a child: as another user, and where no file may grow over ``file_limit`` bytes."""
    _server()
    # a pipe: a limit to the size of files does not hold for it
    here, there = _CONTEXT.Pipe(duplex=False)
    process = _CONTEXT.Process(target=_child, args=(work, there, uid, file_limit))
    process.start()
    there.close()
    return Child(process, here)


def command(
    argv: Sequence[str | Path],
    *,
    before: Before | None = None,
    uid: int | None = None,
    file_limit: int | None = None,
    timeout_s: float = HANGS_AFTER_S,
) -> Ended:
    """Run a command to its end. ``nightly`` as its first word is the night's own program."""
    return begun(argv, before=before, uid=uid, file_limit=file_limit).ended(timeout_s)


def begun(
    argv: Sequence[str | Path],
    *,
    before: Before | None = None,
    uid: int | None = None,
    file_limit: int | None = None,
) -> Child:
    """As :func:`command`, without waiting."""
    return start(_Command(tuple(map(str, argv)), before), uid=uid, file_limit=file_limit)


@dataclass(frozen=True)
class _Command:
    argv: tuple[str, ...]
    before: Before | None

    def __call__(self) -> int | None:
        from fleetbrake.cli import app
        from fleetbrake.cli_jobs import nightly_app

        if self.before is not None:
            self.before()
        if self.argv[0] == "nightly":
            nightly_app(list(self.argv[1:]), prog_name="fleetbrake-nightly")
        else:
            app(list(self.argv), prog_name="fleetbrake")
        return None


def _child(work: Callable[[], int | None], said: Connection, uid: int | None, file_limit: int | None) -> None:
    """Everything that a process of its own is needed for; ends the process."""
    os.dup2(said.fileno(), 1)
    os.dup2(said.fileno(), 2)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    status: int | None = 1
    try:
        if file_limit is not None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (file_limit, file_limit))
        if uid is not None and os.getuid() == 0:
            os.setgroups([])
            os.setgid(uid)
            os.setuid(uid)
        status = work() or 0
    except SystemExit as leave:
        status = leave.code if isinstance(leave.code, int) else int(leave.code is not None)
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        spent = resource.getrusage(resource.RUSAGE_SELF)
        os.write(1, f"{_SPENT}{spent.ru_utime + spent.ru_stime:.3f}".encode())
        os._exit(status if isinstance(status, int) else 1)


def _server() -> None:
    """Start the server where it is not running; it finds its modules by the environment alone."""
    before = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = os.pathsep.join([str(HERE.parents[1]), str(HERE.parent), *filter(None, [before])])
    try:
        forkserver.ensure_running()
    finally:
        if before is None:
            del os.environ["PYTHONPATH"]
        else:
            os.environ["PYTHONPATH"] = before


def wait_until(there: Callable[[], object], what: str, seconds: float = HANGS_AFTER_S) -> None:
    """Wait for something that another process does; AssertionError where it does not come."""
    end = time.monotonic() + seconds
    while not there():
        assert time.monotonic() < end, f"{what} did not come"
        time.sleep(0.02)
