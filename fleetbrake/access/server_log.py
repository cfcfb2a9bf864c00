"""What other people's parts of the server write into the log: bounded, on one line, and not again and again.

A browser says what it likes, before the door as well, and some of it stands in their lines: whoever writes long, or
often, must not fill the disk, and whoever writes line breaks or signs that steer a terminal writes no line of the log.
"""

import logging
import threading
import time
from collections.abc import Sequence
from traceback import walk_tb
from typing import Final

from fleetbrake.core.foreign_text import visible

#: Longest line, and longest story of an error (characters): its end, where the error stands. Own choice.
LONGEST_LINE: Final = 500
LONGEST_STORY: Final = 4_000
#: The same place of the code, with the same kind of error, is heard once in so many seconds. Own choice.
SAID_AGAIN_S: Final = 60.0
#: So many places are heard in that time, and remembered; own choice, there are some dozens.
MOST_PLACES: Final = 100


class Bounded(logging.Filter):
    """Lets a record through once a minute, cut and made visible."""

    def __init__(self) -> None:
        super().__init__()
        self._said: dict[tuple[object, ...], float] = {}
        self._formatter = logging.Formatter()
        self._lock = threading.RLock()  # pages are drawn in threads of their own

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether it is written; what is, is changed to what may be."""
        if not self._is_heard(_place(record)):
            return False
        record.msg, record.args = _line(record), None
        if record.exc_info:
            story = record.exc_text or self._formatter.formatException(record.exc_info)
            # set in, so that no line of what somebody said looks like one of the log
            record.exc_text = "\n".join(f"    {visible(line)}" for line in story[-LONGEST_STORY:].splitlines())
        return True

    def _is_heard(self, place: tuple[object, ...]) -> bool:
        """Whether this place is heard now, as one of so many at most; those that may be heard again are forgotten."""
        with self._lock:
            now = time.monotonic()
            if len(self._said) >= MOST_PLACES:
                self._said = {one: at for one, at in self._said.items() if now - at < SAID_AGAIN_S}
            heard_just_now = now - self._said.get(place, -SAID_AGAIN_S) < SAID_AGAIN_S
            if heard_just_now or len(self._said) >= MOST_PLACES:
                return False
            self._said[place] = now
            return True


def _place(record: logging.LogRecord) -> tuple[object, ...]:
    """Where in the code it was said, and of which kind of error by which way: nothing that somebody else can choose.

    The way is the places that it passed, not how often and in which order: what is nested as somebody likes would else
    be another way each time.
    """
    kind, error, trace = record.exc_info if isinstance(record.exc_info, tuple) else (None, None, None)
    way = frozenset((frame.f_code, line) for frame, line in walk_tb(trace))
    number = getattr(error, "errno", None)  # of whatever kind an error's own class has it
    return record.pathname, record.lineno, record.levelno, kind, number if isinstance(number, int) else None, way


def _line(record: logging.LogRecord) -> str:
    try:
        said = record.getMessage()
    except Exception:  # parts that do not fit the line, which the log's own way of telling would write out whole
        said = record.msg if isinstance(record.msg, str) else repr(type(record.msg))
    said = said.strip()
    cut = said if len(said) <= LONGEST_LINE else f"{said[:LONGEST_LINE]}..."
    return visible(cut)


def bound_log(names: Sequence[str]) -> None:
    """Bound what loggers of these packages write, those that are there and those that come later."""
    bounded = Bounded()

    def _is_theirs(name: str) -> bool:
        return any(name == one or name.startswith(f"{one}.") for one in names)

    class OfTheServer(logging.getLoggerClass()):  # type: ignore[misc]  # whatever class is in use
        """A logger that is bounded from its first word on."""

        def __init__(self, name: str, level: int = logging.NOTSET) -> None:
            super().__init__(name, level)
            if _is_theirs(name):
                self.addFilter(bounded)

    logging.setLoggerClass(OfTheServer)
    for name, logger in list(logging.root.manager.loggerDict.items()):
        if isinstance(logger, logging.Logger) and _is_theirs(name):
            logger.addFilter(bounded)
