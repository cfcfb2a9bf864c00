"""How processes end: one that is not to outlive the one that started it, and one that was killed and is still there."""

import ctypes
import os
import signal
import sys
from pathlib import Path
from typing import Final

#: ``prctl(2)``: the signal that a process gets when its parent ends.
_PR_SET_PDEATHSIG: Final = 1


_program_pid: int | None = None


def part_of(program: int) -> None:
    """This process does the work of ``program``, which started it, and ends when that ends."""
    global _program_pid  # noqa: PLW0603 - one process, one answer
    _program_pid = program
    end_with(program)


def program_pid() -> int:
    """The process by which others know this program: the one that they started, may ask to end, or kill."""
    return _program_pid or os.getpid()


def end_with(parent: int) -> None:
    """End this process at once when ``parent``, which started it, ends; on Linux, elsewhere nothing happens."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0)
        if os.getppid() != parent:  # it ended before that
            os._exit(1)


def is_ending(pid: int) -> bool:
    """Whether a process of this machine was killed or has ended, and may not yet have let go of what it held.

    Told on Linux, by proc_pid_status(5); elsewhere false.
    """
    if sys.platform != "linux":
        return False
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8", errors="replace")
    except (FileNotFoundError, ProcessLookupError):
        return True
    except OSError:
        return False
    told = dict(line.split(":\t", 1) for line in status.splitlines() if ":\t" in line)
    pending = int(told.get("SigPnd", "0"), 16) | int(told.get("ShdPnd", "0"), 16)
    return told.get("State", "")[:1] in ("Z", "X") or bool(pending >> (signal.SIGKILL - 1) & 1)
