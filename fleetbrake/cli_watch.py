"""A command that reads recordings, watched by its own parent: a file that ends the process costs no other file.

The program forks before anything heavy is loaded. The child does the work; the parent waits, and where the child was
ended by a fault in the middle of recordings, it forks anew, and the next child reads what was in hand with care.
To whoever started the program both are one: signals, exit status, terminal.
"""

import os
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from fleetbrake.core.kin import part_of
from fleetbrake.core.stopping import ENDING
from fleetbrake.store.in_hand import read_note

#: What ends a process by a fault of its own, or for want of memory.
_FAULTS: Final = [
    getattr(signal, name)
    for name in ("SIGSEGV", "SIGBUS", "SIGILL", "SIGFPE", "SIGABRT", "SIGKILL")
    if hasattr(signal, name)
]
#: So many children are started in place of others. Own choice: after three that died each file is read by a process of
#: its own (:data:`fleetbrake.careful.MOST_DEATHS`), and none can end the next one; one more for what nobody foresaw.
_MOST_STARTED_ANEW: Final = 4

_may_watch = False


def may_watch() -> None:
    """Said by a program when it starts: this process is all its own, and may be split in two."""
    global _may_watch  # noqa: PLW0603 - one process, one answer
    _may_watch = True


def watched(store: Callable[[], Path | None]) -> None:
    """Go on in a child of this process, watched by it; returns in the child only, or where nobody can watch.

    Called before anything heavy is loaded. ``store`` tells where the store is, if it can be told.

    Raises
    ------
    SystemExit
        In the parent, with the child's exit status, when all is done.
    """
    global _may_watch  # noqa: PLW0603 - as above
    if not _may_watch or not _can_fork():
        return
    _may_watch = False
    for started_anew in range(_MOST_STARTED_ANEW + 1):
        watch = _Watch()
        if watch.child == 0:
            return
        status = watch.wait()
        if status >= 0:
            raise SystemExit(status)
        number = -status
        if number not in _FAULTS:
            _end_by(number)
        in_hand = _in_hand(store, watch.child)
        again = in_hand > 0 and not watch.asked and started_anew < _MOST_STARTED_ANEW
        _say(_sentence(number, in_hand, again))
        if not again:
            raise SystemExit(128 + number)


def _can_fork() -> bool:
    """Whether this process can be split: on Linux, while it has one thread."""
    if sys.platform != "linux" or threading.current_thread() is not threading.main_thread():
        return False
    try:
        return len(os.listdir("/proc/self/task")) == 1  # noqa: PTH208 - names only
    except OSError:
        return threading.active_count() == 1


class _Watch:
    """One child and the signals that come meanwhile. ``child`` is 0 in the child."""

    def __init__(self) -> None:
        self._signals = {*ENDING, signal.SIGCHLD, signal.SIGTSTP, signal.SIGCONT}
        #: Whether somebody asked the run to end.
        self.asked = False
        sys.stdout.flush()
        sys.stderr.flush()
        parent = os.getpid()
        # were it ignored, nothing would be left to wait for
        self._on_child = signal.signal(signal.SIGCHLD, signal.SIG_DFL) or signal.SIG_DFL
        self._before = signal.pthread_sigmask(signal.SIG_BLOCK, self._signals)
        try:
            self.child = os.fork()
        except OSError:  # no process to be had: then this one does the work
            self.child = 0
        if self.child == 0:
            self._as_before()
        if os.getpid() != parent:
            part_of(parent)

    def wait(self) -> int:
        """Wait for the child to end; its exit status, or the signal that ended it as a negative number."""
        try:
            while True:
                came = signal.sigwaitinfo(self._signals)
                if came.si_signo != signal.SIGCHLD:
                    self._pass_on(came)
                    continue
                ended, status = os.waitpid(self.child, os.WNOHANG)
                if ended:
                    return os.waitstatus_to_exitcode(status)
        finally:
            self._as_before()

    def _pass_on(self, came: Any) -> None:
        """Hand a signal to the child that was sent to this process; what a terminal sends goes to both by itself."""
        heeded = signal.getsignal(came.si_signo) is not signal.SIG_IGN
        self.asked = self.asked or (heeded and came.si_signo in ENDING)
        if came.si_code <= 0 or came.si_signo == signal.SIGCONT:  # kill(2) and the like; greater: the kernel
            os.kill(self.child, came.si_signo)
        if came.si_signo == signal.SIGTSTP:
            signal.raise_signal(signal.SIGTSTP)
            signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTSTP})  # here it stops, until it is to go on
            signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTSTP})

    def _as_before(self) -> None:
        signal.pthread_sigmask(signal.SIG_SETMASK, self._before)
        signal.signal(signal.SIGCHLD, self._on_child)


def _in_hand(store: Callable[[], Path | None], child: int) -> int:
    """How many recordings the child was reading when it ended."""
    with suppress(Exception):  # whatever hides the store: then nobody goes on
        folder = store()
        note = None if folder is None else read_note(folder)
        return len(note.held) if note is not None and note.pid == child else 0
    return 0


def _sentence(number: int, in_hand: int, again: bool) -> str:
    name = signal.Signals(number).name
    how = f"ended by signal {number}, {name}{' (out of memory, perhaps)' if name == 'SIGKILL' else ''}"
    if not in_hand:
        return f"The run was {how}, with no recording in hand. What had been read is kept."
    files = "a recording" if in_hand == 1 else f"{in_hand} recordings"
    told = f"The run was {how}, while it read {files}."
    if again:
        return f"{told} It goes on, and reads what was in hand alone, in a process of its own."
    return f"{told} What had been read is kept; the next run reads what was in hand alone, in a process of its own."


def _say(sentence: str) -> None:
    with suppress(OSError, ValueError):
        cursor = "\x1b[?25h\n" if sys.stderr.isatty() else ""  # a bar of the child's may have hidden it
        sys.stderr.write(f"{cursor}{sentence}\n")
        sys.stderr.flush()


def _end_by(number: int) -> None:
    """End this process as the child was ended, so that whoever waits for it sees the same."""
    with suppress(OSError, ValueError):
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)
    raise SystemExit(128 + number)
