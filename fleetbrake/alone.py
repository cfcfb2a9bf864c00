"""A recording that is read alone, in a process of its own: its reading may end that process and costs no other file.

What a run read when it died comes here first, and all files once runs died again and again. The process reads one
file after the other, within bounds of memory and time; where it ends, the file is tried once more in a fresh one.

As a program (``python -m fleetbrake.alone PARENT``) it is that process: a job and files come by its standard input,
rows and what became of each file go by its standard output.
"""

import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

import pyarrow as pa

from fleetbrake.core.bounded import within
from fleetbrake.core.errors import InputError
from fleetbrake.core.kin import end_with
from fleetbrake.core.memory import keep_what_is_freed
from fleetbrake.handing_out import Fate, Handed, Job, Taken
from fleetbrake.recordings.at_hand import at_hand
from fleetbrake.recordings.story import printable
from fleetbrake.taking_in import read_file, rejected

#: How the process is started.
PROGRAM: tuple[str, ...] = ("-P", "-m", "fleetbrake.alone")
#: Bytes of memory it may set aside, counted as by RLIMIT_DATA of ``getrlimit(2)``: what the allocators hold in reserve
#: counts. Own choice: reading a small file takes 1.4 GB so counted, of which 0.3 GB are used (measured); the rest is
#: for a large one. On a large machine it may take this share of its memory.
MOST_MEMORY = 4 * 2**30
_SHARE: Final = 0.5
#: A file may take so long (s), and a second more for so many bytes. Own choices: a large file is read in seconds, and a
#: slow network brings a megabyte a second; a machine that has to compile first takes a minute.
PATIENCE_S = 600.0
_BYTES_A_SECOND: Final = 2**20
#: So long it may take to start (s): it loads in a second, on a machine that is not at its limits.
START_S: Final = 300.0
#: How many processes have to end over a file until it is rejected, the last of which read nothing else.
_DEATHS: Final = 2
#: What a person or a system that ends a run sends to all its processes: whoever started this one ends it then.
_NOT_FOR_IT: Final = ("SIGINT", "SIGTERM", "SIGHUP")


class _Ended(Exception):
    """The process ended, or had to be ended, while it read; ``args[0]`` says how."""


class _NotStarted(Exception):
    """The process did not come to reading."""


class Alone:
    """Reads files one by one in a process of its own; close it, or use it in a ``with``. For one thread."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._fresh = True

    def __enter__(self) -> "Alone":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def read(self, handed: Handed, job: Job, *, deaths: int = 0) -> Taken | None:
        """As :func:`fleetbrake.taking_in.read_file`; a file that ends those who read it is rejected.

        None where no process can be started.

        Parameters
        ----------
        deaths : how many processes its reading may have ended before.
        """
        while True:
            try:
                taken, pieces = self._asked(handed, job)
            except _NotStarted:
                return None
            except _Ended as error:
                deaths += 1
                if self._fresh and deaths >= _DEATHS:
                    reason = (
                        f"the process that read it ended, and so did another that read nothing else ({error}); it is "
                        "left out until the file or the settings change"
                    )
                    return _rejected(handed, job, reason)
                continue
            if taken.short:
                most = f"{most_memory() / 2**30:.0f} GiB"
                told = f"reading it takes more memory than one recording may have ({most}); the next run tries again"
                return Taken(Fate.READ, "", rejected(job, handed.path, "", _told(handed, job, told)), short=True)
            for piece in pieces:
                job.rows.write_piece(*piece)
            return taken

    def close(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
            for stream in (process.stdin, process.stdout):
                with suppress(OSError):
                    stream.close()  # type: ignore[union-attr]

    def _asked(self, handed: Handed, job: Job) -> "tuple[Taken, list[Piece]]":
        if self._process is None:
            self._start(job)
            self._fresh = True
        else:
            self._fresh = False
        try:
            self._send(handed)
            found: tuple[Taken, list[Piece]] = self._answer(_patience_s(handed))
        except BaseException:
            self.close()
            raise
        return found

    def _start(self, job: Job) -> None:
        path = os.pathsep.join(part or str(Path.cwd()) for part in sys.path)
        try:
            self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and words, no shell
                [sys.executable, *PROGRAM, str(os.getpid())],
                env={**os.environ, "PYTHONPATH": path},
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # what a terminal sends is for whoever started it
            )
            self._send(replace(job, rows=None))  # type: ignore[arg-type]
            self._answer(START_S)
        except (OSError, _Ended) as error:
            self.close()
            raise _NotStarted(str(error)) from error
        except BaseException:
            self.close()
            raise

    def _send(self, what: Any) -> None:
        assert self._process is not None and self._process.stdin is not None
        try:
            with _no_broken_pipe():
                pickle.dump(what, self._process.stdin)
                self._process.stdin.flush()
        except OSError as error:
            raise _Ended(self._how()) from error

    def _answer(self, patience_s: float) -> Any:
        assert self._process is not None and self._process.stdout is not None
        stream = self._process.stdout
        try:
            return within(patience_s, lambda: pickle.load(stream))  # noqa: S301 - from a process of our own
        except TimeoutError as error:
            raise _Ended(f"it had not come to an end after {patience_s:.0f} s") from error
        except (OSError, EOFError, pickle.UnpicklingError) as error:
            raise _Ended(self._how()) from error

    def _how(self) -> str:
        assert self._process is not None
        try:
            status = self._process.wait(10)
        except subprocess.TimeoutExpired:  # it closed its output and lives
            return "it stopped answering"
        return ended_by(-status) if status < 0 else f"exit status {status}"


def most_memory() -> int:
    """Bytes that reading one file may take: as large as the machine lets others live beside it."""
    with suppress(ValueError, OSError, AttributeError):
        return max(MOST_MEMORY, int(_SHARE * os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")))
    return MOST_MEMORY


def ended_by(number: int) -> str:
    """A signal in words."""
    with suppress(ValueError):
        name = signal.Signals(number).name
        return f"signal {number}, {name}{': out of memory, perhaps' if name == 'SIGKILL' else ''}"
    return f"signal {number}"


def _patience_s(handed: Handed) -> float:
    with suppress(InputError):
        return PATIENCE_S + (handed.source.listed or handed.source.stat()).size / _BYTES_A_SECOND
    return PATIENCE_S


def _rejected(handed: Handed, job: Job, reason: str) -> Taken:
    """With the fingerprint by which the log knows the file again; hashing decodes nothing."""
    sha256, facts = "", None
    with suppress(InputError), at_hand(handed.source, shown=handed.path) as data:
        sha256, facts = data.sha256, data.facts
    if handed.held:
        return Taken(Fate.HELD, sha256)
    return Taken(Fate.READ, sha256, rejected(job, handed.path, sha256, _told(handed, job, reason), facts))


def _told(handed: Handed, job: Job, reason: str) -> str:
    return job.rest.text(f"{printable(handed.path)}: cannot be read: {reason}")


@contextmanager
def _no_broken_pipe() -> Iterator[None]:
    """Have writing to a process that has ended raise an error: a program may have chosen to end at that."""
    if not hasattr(signal, "SIGPIPE") or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGPIPE, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGPIPE, before)


# --- the process -----------------------------------------------------------------------------------------------------

#: Key and both halves of the rows of a file.
Piece = tuple[str, pa.Table, pa.Table]


@dataclass
class _Kept:
    """Rows on their way to whoever asked."""

    pieces: list[Piece] = field(default_factory=list)

    def write_piece(self, key: str, events: pa.Table, wheels: pa.Table) -> None:
        self.pieces.append((key, events, wheels))


def main(parent: int) -> None:
    """Read what comes until nothing comes any more."""
    end_with(parent)
    for name in _NOT_FOR_IT:
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    with os.fdopen(os.dup(1), "wb") as answers:
        os.dup2(2, 1)  # what a library prints is no answer
        _bounded()
        job: Job = pickle.load(sys.stdin.buffer)  # noqa: S301 - from whoever started this process
        keep_what_is_freed()
        _tell(answers, None)
        while True:
            try:
                handed: Handed = pickle.load(sys.stdin.buffer)  # noqa: S301 - as above
            except EOFError:
                return
            kept = _Kept()
            taken = read_file(handed, replace(job, rows=kept))
            _tell(answers, (taken, kept.pieces))


def _tell(answers: Any, what: Any) -> None:
    pickle.dump(what, answers)
    answers.flush()


def _bounded() -> None:
    """No file may take the machine's memory; where it runs out all the same, this process is the one to go."""
    with suppress(ImportError, OSError, ValueError):
        import resource

        hard = resource.getrlimit(resource.RLIMIT_DATA)[1]
        most = most_memory() if hard == resource.RLIM_INFINITY else min(most_memory(), hard)
        resource.setrlimit(resource.RLIMIT_DATA, (most, hard))
    with suppress(OSError):  # proc_pid_oom_score_adj(5): whoever may do anything may raise its own
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")


if __name__ == "__main__":
    main(int(sys.argv[1]))
