"""Looks for an id in every file of a store: names, raw bytes, and each value that Parquet, DuckDB and SQLite hold.

What is found in values counts as a whole word, so that ``D1`` is not found in ``D17``. Bytes of a file that no value
of it explains count from :data:`BYTES_FROM` letters on: a short id stands in any compressed file by chance.
"""

import json
import mmap
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import quote

from fleetbrake.store.forgetting.forgetter import DRIVER_COLUMNS, Forgetter
from fleetbrake.store.forgetting.search_values import Found, values_of
from fleetbrake.store.run_texts import log_files

#: Own choice: four letters are found once in a few gigabytes of noise, five hardly ever.
BYTES_FROM: Final = 5


@dataclass(frozen=True)
class Remains:
    """A place where an id was found: file (within the store, else its whole path) and part of the file."""

    file: str
    part: str


@dataclass(frozen=True)
class Searched:
    """What a search found, how many files it read, and files that could not be read."""

    found: tuple[Remains, ...]
    files: int
    unread: tuple[str, ...]


def search(store: Path, driver_id: str, finder: Forgetter) -> Searched:
    """Every place of the store, and of the logs of its runs, that names the id.

    Parameters
    ----------
    driver_id : as it was written.
    finder : knows this id alone, and the vehicles whose ids hold it, which are passed over.
    """
    found: list[Remains] = []
    unread: list[str] = []
    files = _files(store)
    for path in files:
        name = str(path.relative_to(store)) if path.is_relative_to(store) else str(path)
        if finder.texts([name]):
            found.append(Remains(name, "name of the file"))
        if not path.is_file() or path.is_symlink():
            continue
        try:
            found += [Remains(name, part) for part in _parts(path, driver_id, finder)]
        except Exception as error:  # whatever a damaged file does to its decoder: it is told, the others are searched
            unread.append(f"{name} ({type(error).__name__})")
    return Searched(tuple(dict.fromkeys(found)), len(files), tuple(unread))


def _files(store: Path) -> list[Path]:
    return sorted({*store.rglob("*"), *log_files(store)})


def _parts(path: Path, driver_id: str, finder: Forgetter) -> Iterator[str]:
    """Parts of one file that name the id."""
    inside = False
    for value in values_of(path):
        named, holds = _named(value, driver_id, finder)
        inside = inside or holds
        if named:
            yield value.part
    if not inside and len(driver_id) >= BYTES_FROM and _in_bytes(path, driver_id):
        yield "bytes"


def _named(value: Found, driver_id: str, finder: Forgetter) -> tuple[bool, bool]:
    """Whether any of the texts names the id, and whether any holds its letters, if only within a longer word."""
    if value.column in DRIVER_COLUMNS:
        return driver_id in value.texts, any(driver_id in text for text in value.texts)
    holds = any(driver_id in text or json.dumps(driver_id)[1:-1] in text for text in value.texts)
    return bool(finder.texts(value.texts)), holds


def _in_bytes(path: Path, driver_id: str) -> bool:
    if path.stat().st_size == 0:  # cannot be mapped
        return False
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        return any(content.find(form) >= 0 for form in _forms(driver_id))


def _forms(driver_id: str) -> Iterable[bytes]:
    """The id as bytes may hold it: UTF-8, UTF-16, within JSON, within an address."""
    plain = driver_id.encode("utf-8", "surrogatepass")
    yield plain
    for order in ("utf-16-le", "utf-16-be"):
        yield driver_id.encode(order, "surrogatepass")
    for form in (json.dumps(driver_id)[1:-1], quote(plain)):
        yield form.encode()
