"""Ending a run cleanly when a signal asks for it."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from fleetbrake.core.stopping import ENDING, Stopped

__all__ = ["StopAsked", "Stopped", "listening"]


class StopAsked:
    """Whether a signal has asked the run to end, and which.

    The first signal raises :class:`Stopped` in the main thread while :meth:`armed`; later ones change nothing, so that
    a run can write down how it ended.
    """

    def __init__(self) -> None:
        self.by: str | None = None
        self._armed = False

    @contextmanager
    def armed(self) -> Iterator[None]:
        """The part of the run that a signal may break off."""
        self._armed = True
        try:
            self.check()
            yield
        finally:
            self._armed = False

    def check(self) -> None:
        """Raise :class:`Stopped` if a signal came: compiled code may have swallowed what the handler raised."""
        if self.by is not None and self._armed:
            raise Stopped

    def handle(self, number: int, _frame: FrameType | None) -> None:
        """The handler."""
        if self.by is None:
            self.by = signal.Signals(number).name
            if self._armed:
                raise Stopped


@contextmanager
def listening() -> Iterator[StopAsked]:
    """Handle the ending signals while the block runs; outside the main thread there are none to handle.

    What whoever started the run chose to ignore stays ignored: such a run is to outlive its terminal.
    """
    asked = StopAsked()
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return
    before = {
        number: signal.signal(number, asked.handle)
        for number in ENDING
        if signal.getsignal(number) is not signal.SIG_IGN
    }
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
