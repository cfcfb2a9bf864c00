"""What a browser says does not make the log long, nor lines of its own in it."""

import logging
import random
from collections.abc import Callable, Iterator
from itertools import count
from types import SimpleNamespace

import pytest

from fleetbrake.access import server_log
from fleetbrake.access.server_log import LONGEST_LINE, LONGEST_STORY, MOST_PLACES, SAID_AGAIN_S, bound_log

_NUMBER = count()


class _Kept(logging.Handler):
    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(self.format(record))


@pytest.fixture
def now(monkeypatch: pytest.MonkeyPatch) -> Iterator[SimpleNamespace]:
    clock, before = SimpleNamespace(at=1_000.0), logging.getLoggerClass()
    monkeypatch.setattr(server_log, "time", SimpleNamespace(monotonic=lambda: clock.at))
    yield clock
    logging.setLoggerClass(before)


@pytest.fixture(params=["there before", "made later"])
def logger(request: pytest.FixtureRequest, now: SimpleNamespace) -> tuple[logging.Logger, _Kept]:
    name, kept = f"server{next(_NUMBER)}.part", _Kept()
    if request.param == "there before":
        logging.getLogger(name)
    bound_log((name.partition(".")[0],))
    found = logging.getLogger(name)
    found.addHandler(kept)
    found.propagate = False
    return found, kept


def test_one_line_cut_and_once_a_minute(logger: tuple[logging.Logger, _Kept], now: SimpleNamespace) -> None:
    log, kept = logger
    for told in ("a\n2026-11-25 FORGED\x1b[2J", "b" * 60_000, "c"):
        log.warning("no such part: %s", told)  # from one place
    assert len(kept.lines) == 1 and "\n" not in kept.lines[0] and "\x1b" not in kept.lines[0]
    now.at += SAID_AGAIN_S
    for told in ("b" * 60_000, "c"):
        log.warning("no such part: %s", told)
    assert len(kept.lines) == 2 and len(kept.lines[1]) < LONGEST_LINE + 10
    log.warning("%d parts", "that do not fit")
    assert kept.lines[-1] == "%d parts"


def test_each_kind_of_error_has_its_story(logger: tuple[logging.Logger, _Kept]) -> None:
    log, kept = logger

    def _fail(error: Exception) -> None:
        try:
            raise error
        except Exception:
            log.exception("failed")

    for number in (5, 28):
        _fail(OSError(number, "told"))
    assert len(kept.lines) == 2, "a full disk is another error than a broken one"
    kept.lines.clear()
    for error in (ValueError("x\x1b" + "y" * 9_000 + "\n2026-11-25 FORGED"), ValueError("again"), KeyError("other")):
        _fail(error)
    assert len(kept.lines) == 2, "one of each kind from one place"
    assert all("\x1b" not in line and len(line) < LONGEST_STORY + 200 for line in kept.lines)
    assert "\n    2026-11-25 FORGED" in kept.lines[0]
    assert kept.lines[1].endswith("KeyError: 'other'")


def test_other_loggers_are_left_alone(now: SimpleNamespace) -> None:
    kept, other = _Kept(), logging.getLogger(f"ours{next(_NUMBER)}")
    bound_log((f"server{next(_NUMBER)}",))
    other.addHandler(kept)
    other.propagate = False
    for _ in range(2):
        other.warning("a\nb")
    assert kept.lines == ["a\nb"] * 2


def _fails() -> None:
    raise ValueError("told")


def _log_what_fails(log: logging.Logger, work: Callable[[], object]) -> None:
    try:
        work()
    except Exception:
        log.exception("failed")


def test_the_same_error_by_another_way_is_another_one(logger: tuple[logging.Logger, _Kept]) -> None:
    log, kept = logger

    def _by_another() -> None:
        _fails()

    for work in (_fails, _by_another, _fails, _by_another):
        _log_what_fails(log, work)
    assert len(kept.lines) == 2


def test_what_is_nested_as_somebody_likes_is_one_way(logger: tuple[logging.Logger, _Kept]) -> None:
    """Each nesting passes the same two lines in another order, and as deep as it likes."""
    log, kept = logger

    def _walk(rest: list[bool]) -> None:
        if not rest:
            _fails()
        elif rest[0]:
            _walk(rest[1:])
        else:
            _walk(rest[1:])

    draw = random.Random(1)
    for depth in range(2, 60):
        _log_what_fails(log, lambda depth=depth: _walk([True, False, *draw.choices([True, False], k=depth)]))  # type: ignore[misc]
    assert len(kept.lines) == 1


@pytest.mark.parametrize("number", [[1], {}, {1}, "5", float("nan")])
def test_an_error_whose_number_is_none_is_logged_all_the_same(
    logger: tuple[logging.Logger, _Kept], number: object
) -> None:
    log, kept = logger

    class _Odd(Exception):
        errno = number

    def _raises() -> None:
        raise _Odd("told")

    for _ in range(2):
        _log_what_fails(log, _raises)
    assert len(kept.lines) == 1


def test_no_more_places_are_heard_in_a_minute_than_there_are(
    logger: tuple[logging.Logger, _Kept], now: SimpleNamespace
) -> None:
    """Whoever finds ever new ones fills neither the disk nor the memory."""
    log, kept = logger
    (bounded,) = log.filters
    for seconds, heard in ((0.0, 1), (SAID_AGAIN_S - 1.0, 1), (1.0, 2), (SAID_AGAIN_S, 3)):
        now.at += seconds
        for line in range(3 * MOST_PLACES):
            log.handle(logging.LogRecord(log.name, logging.ERROR, "a.py", line, "told", None, None))
        assert len(kept.lines) == heard * MOST_PLACES
        assert len(bounded._said) <= MOST_PLACES  # type: ignore[union-attr]
