"""Keeps the solver's library from printing: a line of its own would stand behind the command's last one."""

import ctypes
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

_OUT = 1  # file descriptor of the process's standard output


@contextmanager
def nothing_printed() -> Iterator[None]:
    """Send to nowhere what compiled code prints meanwhile; a process without standard output is left alone."""
    _flush()
    try:
        kept = os.dup(_OUT)
    except OSError:
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, _OUT)
    os.close(nowhere)
    try:
        yield
    finally:
        _flush()  # what compiled code still holds goes to nowhere too
        os.dup2(kept, _OUT)
        os.close(kept)


def _flush() -> None:
    if sys.stdout is not None:
        with suppress(OSError, ValueError):
            sys.stdout.flush()
    with suppress(OSError, AttributeError, TypeError):  # where the C library is not reached this way, its lines stay
        ctypes.CDLL(None).fflush(None)
