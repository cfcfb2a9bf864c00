"""What a run says while it works: JSON lines in a file a day, readable lines on standard error."""

import json
import logging
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from fleetbrake.core.private import make_private
from fleetbrake.recordings.story import printable

LOGGER: Final = "fleetbrake.unattended"
_DAY_FILE: Final = re.compile(r"fleetbrake-(\d{4}-\d{2}-\d{2})\.jsonl")

Cleaned = Callable[[str], str]


def log_file(folder: Path, day: datetime) -> Path:
    """The log of a day (UTC)."""
    return folder / f"fleetbrake-{day:%Y-%m-%d}.jsonl"


class DayFile(logging.Handler):
    """Appends each record as one line of JSON to the file of its day.

    The file is opened for each line: it may be moved, cleaned or removed by others at any time, and a log has few
    lines. What cannot be written is told once on standard error and then passed over.
    """

    def __init__(self, folder: Path, job: str, run_id: str, stage: Callable[[], str]) -> None:
        super().__init__()
        self._folder, self._job, self._run_id, self._stage = folder, job, run_id, stage
        self._told = False

    def emit(self, record: logging.LogRecord) -> None:
        """One line."""
        try:
            line = json.dumps(self._facts(record), sort_keys=True, default=str) + "\n"
            make_private(self._folder, like_its_own=True)
            with log_file(self._folder, _moment(record)).open("a", encoding="utf-8") as file:
                file.write(line)
        except OSError as error:
            self._say_once(error)

    def _say_once(self, error: OSError) -> None:
        if not self._told:
            self._told = True
            sys.stderr.write(f"The log in {self._folder} cannot be written ({error.strerror or error}).\n")

    def _facts(self, record: logging.LogRecord) -> dict[str, Any]:
        return {
            "at": _moment(record).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "job": self._job,
            "run_id": self._run_id,
            "stage": self._stage(),
            "said": record.getMessage(),
            **getattr(record, "facts", {}),
        }


class _Readable(logging.Formatter):
    """Time, level where it is none of the usual, text; nothing that a terminal would act on."""

    def format(self, record: logging.LogRecord) -> str:
        level = "" if record.levelno <= logging.INFO else f"{record.levelname.lower()}: "
        return printable(f"{_moment(record):%Y-%m-%d %H:%M:%S}Z {level}{record.getMessage()}")


class _Cleaning(logging.Filter):
    """Passes every text of a record through a function before any handler sees it."""

    def __init__(self, clean: Cleaned) -> None:
        super().__init__()
        self._clean = clean

    def filter(self, record: logging.LogRecord) -> bool:
        record.msg, record.args = self._clean(record.getMessage()), ()
        facts = getattr(record, "facts", {})
        record.facts = {key: _cleaned(value, self._clean) for key, value in facts.items()}
        return True


@contextmanager
def logging_to(
    folder: Path, keep_days: int | None, level: str, *, job: str, run_id: str, stage: Callable[[], str], clean: Cleaned
) -> Iterator[logging.Logger]:
    """The run's logger while the block runs; warnings of libraries go the same way. Old files are removed first.

    Parameters
    ----------
    keep_days : None removes none.
    clean : what every text passes through, since a log carries no driver's id.
    stage : tells what the run is at.
    """
    if keep_days is not None:
        remove_old(folder, datetime.now(UTC) - timedelta(days=keep_days))
    readable = logging.StreamHandler(sys.stderr)
    readable.setFormatter(_Readable())
    handlers: list[logging.Handler] = [DayFile(folder, job, run_id, stage), readable]
    root, own = logging.getLogger(), logging.getLogger(LOGGER)
    for handler in handlers:
        handler.addFilter(_Cleaning(clean))
        root.addHandler(handler)
    before = own.level
    own.setLevel(level.upper())
    logging.captureWarnings(True)
    try:
        yield own
    finally:
        logging.captureWarnings(False)
        own.setLevel(before)
        for handler in handlers:
            root.removeHandler(handler)


def remove_old(folder: Path, before: datetime) -> None:
    """Remove the logs of days before ``before``; nothing but logs, and none that cannot be removed."""
    with suppress(OSError):
        for file in folder.iterdir():
            named = _DAY_FILE.fullmatch(file.name)
            if named and named[1] < f"{before:%Y-%m-%d}":
                with suppress(OSError):
                    file.unlink()


def _cleaned(value: Any, clean: Cleaned) -> Any:
    if isinstance(value, str):
        return clean(value)
    return [_cleaned(one, clean) for one in value] if isinstance(value, list) else value


def _moment(record: logging.LogRecord) -> datetime:
    return datetime.fromtimestamp(record.created, UTC)
