"""Runs that a signal ends: what is raised then, and parts of a run that no signal breaks in the middle."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any, Final

#: What a service manager, a terminal and a closed connection send.
ENDING: Final = tuple(getattr(signal, name) for name in ("SIGTERM", "SIGINT", "SIGHUP") if hasattr(signal, name))


class Stopped(BaseException):
    """A signal asked the run to end. No ``Exception``: whoever carries on after a failed file must not catch it."""


@contextmanager
def undisturbed() -> Iterator[None]:
    """Let signals that somebody here handles wait until the block is done: it is done whole or was not begun.

    Outside the main thread nothing handles signals, and none is raised there.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[tuple[int, FrameType | None]] = []
    before: dict[Any, Any] = {number: signal.getsignal(number) for number in ENDING}
    before = {number: handler for number, handler in before.items() if callable(handler)}
    for number in before:
        signal.signal(number, lambda which, frame: came.append((which, frame)))
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    for which, frame in came[:1]:
        before[which](which, frame)
