"""The texts that unattended runs left, in their history and in their logs: all of them changed by one function.

What is forgotten must not live on in a log. Lines of logs are JSON; a line that is none is changed as plain text.
"""

import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fleetbrake.core.errors import StoreError
from fleetbrake.store.files import write_atomically
from fleetbrake.store.run_numbers import RUNS_NAME
from fleetbrake.store.runs import log_folders, opened
from fleetbrake.store.runs_lost import lost_runs

#: What a log of unattended runs is called, one file a day.
LOG_FILES = "fleetbrake-*.jsonl"
#: Columns of the history that hold free text; the others are keys, codes and numbers.
_FREE = ("host", "summary", "error")

Change = Callable[[str], str]


@dataclass(frozen=True)
class Rewritten:
    """Texts that were changed, and what could not be read or written, or is not known any more (with the reason)."""

    changed: int
    not_reached: tuple[str, ...]


def rewrite_texts(store: Path, change: Change) -> Rewritten:
    """Pass every free text of the history of runs and of all known logs through ``change``; nothing old remains.

    For the holder of the writer's lock: a run that waits for it hardly writes, but a line that it writes in the very
    moment in which its log is put in place is lost.

    Raises
    ------
    StoreError
        The history of runs cannot be read or written.
    """
    changed, lost = _history(store, change), lost_runs(store)
    not_reached = [] if lost is None else [lost]  # folders of logs that only it named
    for file in log_files(store):
        try:
            changed += _log(file, change)
        except (OSError, StoreError) as error:
            not_reached.append(f"{file}: {error}")
    return Rewritten(changed, tuple(not_reached))


def log_files(store: Path) -> list[Path]:
    """Every log of this store's runs that is there, by path."""
    found: set[Path] = set()
    for folder in log_folders(store):
        with suppress(OSError):
            found |= set(folder.glob(LOG_FILES))
    return sorted(found)


def _history(store: Path, change: Change) -> int:
    if not (store / RUNS_NAME).is_file():
        return 0
    with opened(store, write=True) as con:
        with con:
            rows = con.execute(f"SELECT run_id, {', '.join(_FREE)} FROM runs").fetchall()  # noqa: S608 - own names
            found = [(key, _changed_row(texts, change)) for key, *texts in rows]
            new = [(*after, key) for key, (before, after) in found if after != before]
            con.executemany("UPDATE runs SET host = ?, summary = ?, error = ? WHERE run_id = ?", new)
        if new:
            con.execute("VACUUM")
    return len(new)


def _changed_row(texts: list[Any], change: Change) -> tuple[tuple[Any, ...], tuple[Any, ...]]:
    host, summary, error = texts
    after = (change(host), _json_line(summary, change), None if error is None else change(error))
    return tuple(texts), after


def _log(file: Path, change: Change) -> int:
    text = file.read_text(encoding="utf-8", errors="surrogateescape")
    lines = text.split("\n")  # and at no other character that may stand in a text
    new = [_json_line(line, change) for line in lines]
    count = sum(before != after for before, after in zip(lines, new, strict=True))
    if count:
        told = "\n".join(new)

        def write(part: Path) -> None:
            part.write_text(told, encoding="utf-8", errors="surrogateescape")
            part.chmod(file.stat().st_mode & 0o777)

        write_atomically(file, write)
    return count


def _json_line(line: str, change: Change) -> str:
    """The line with each text in it changed; as it was, to the byte, where none is."""
    try:
        told = json.loads(line)
    except ValueError:
        return change(line) if line else line
    after = _values(told, change)
    return line if after == told else json.dumps(after, sort_keys=True)


def _values(told: Any, change: Change) -> Any:
    if isinstance(told, str):
        return change(told)
    if isinstance(told, list):
        return [_values(one, change) for one in told]
    if isinstance(told, dict):
        return {key: _values(one, change) for key, one in told.items()}  # keys are our own words
    return told
