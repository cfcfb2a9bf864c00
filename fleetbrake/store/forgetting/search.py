"""Looks for an id in every file of a store: names, raw bytes, and each value that Parquet, DuckDB and SQLite hold.

What is found as a whole word names the id. Its letters within a longer word (``D1`` in ``D17``) may be it: they are
told as such, and nothing that may be it is passed over. A number or a very short id stands in any file by chance: of
those the first count as a word of their own only, the second in columns of drivers and after the word driver only.
Bytes of a file that no value of it explains count from :data:`BYTES_FROM` letters on.
"""

import json
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final
from urllib.parse import quote, unquote

from fleetbrake.core.folded_text import SEPARATOR, fold_text
from fleetbrake.store.forgetting.forgetter import DRIVER_COLUMNS, SPARED, Forgetter
from fleetbrake.store.forgetting.search_values import NAMES_OF_TABLES, Found, values_of
from fleetbrake.store.forgetting.tombstones import OWN_WORD, TOMBSTONES_NAME
from fleetbrake.store.run_texts import log_files

Within = Callable[[str], bool]

#: An id counts within longer words from so many letters on; own choice, as for texts.
_WITHIN_FROM: Final = 3
#: Columns of fingerprints, which hold any letters by chance, and of drivers, where another id is another driver.
_PASSED: Final = frozenset({"sha256", "key", "piece_key", "settings", "run_id", *DRIVER_COLUMNS})
#: Own choice: four letters are found once in a few gigabytes of noise, five hardly ever.
BYTES_FROM: Final = 5
#: Bytes of a file that are looked through at a time.
_STRETCH: Final = 1 << 24


@dataclass(frozen=True)
class Remains:
    """A place where an id was found: file (within the store, else its whole path) and part of the file.

    ``perhaps``: its letters stand there within a longer word. ``of_others``: in a column of vehicles, depots or words
    of our own, or in the names of tables and columns: it is another one's name there.
    """

    file: str
    part: str
    perhaps: bool = False
    of_others: bool = False


@dataclass(frozen=True)
class Searched:
    """What a search found, how many files it read, and files that could not be read."""

    found: tuple[Remains, ...]
    files: int
    unread: tuple[str, ...]


def search(store: Path, driver_id: str, finder: Forgetter, others: Iterable[str] = ()) -> Searched:
    """Every place of the store, and of the logs of its runs, that names the id.

    Parameters
    ----------
    driver_id : as it was written.
    finder : knows this id alone, and the vehicles whose ids hold it, which are passed over.
    others : ids of other drivers and vehicles, which may hold its letters: ``D17`` is no ``D1``.
    """
    within = _within_words(driver_id, others, anywhere=finder.anywhere)
    found: list[Remains] = []
    unread: list[str] = []
    files = _files(store)
    for path in files:
        name = str(path.relative_to(store)) if path.is_relative_to(store) else str(path)
        if finder.texts([name]) or within(name):
            found.append(Remains(name, "name of the file", perhaps=not finder.texts([name])))
        if not path.is_file() or path.is_symlink():
            continue
        try:
            found += [replace(one, file=name) for one in _parts(path, driver_id, finder, within)]
        except Exception as error:  # whatever a damaged file does to its decoder: it is told, the others are searched
            unread.append(f"{name} ({type(error).__name__})")
    return Searched(tuple(dict.fromkeys(found)), len(files), tuple(unread))


def _files(store: Path) -> list[Path]:
    return sorted({*store.rglob("*"), *log_files(store)})


def _parts(path: Path, driver_id: str, finder: Forgetter, within: Within) -> Iterator[Remains]:
    """Parts of one file that name the id, or may."""
    inside = False
    for value in values_of(path):
        inside = inside or any(driver_id in text or json.dumps(driver_id)[1:-1] in text for text in value.texts)
        others = value.column in SPARED or (value.part in NAMES_OF_TABLES and not finder.anywhere)
        if _named(value, finder):
            yield Remains("", value.part, of_others=others)
        elif path.name != TOMBSTONES_NAME and value.column not in _PASSED and any(map(within, value.texts)):
            yield Remains("", value.part, perhaps=True, of_others=others)
    if not inside and len(driver_id) >= BYTES_FROM and _in_bytes(path, driver_id):
        yield Remains("", "bytes")


def _named(value: Found, finder: Forgetter) -> bool:
    if value.column in DRIVER_COLUMNS:
        return any(map(finder.knows, value.texts))
    return bool(finder.texts(value.texts))


def _within_words(driver_id: str, others: Iterable[str], *, anywhere: bool) -> Within:
    """Function that tells whether a text holds the letters of the id in any way by which they may be it."""
    told = fold_text(driver_id)[0].strip(SEPARATOR)
    folded = {fold_text(name)[0].strip(SEPARATOR) for name in others}
    longer = sorted((one for one in folded if told in one and one != told), key=lambda one: (-len(one), one))
    if len(told) < _WITHIN_FROM:
        return lambda _: False
    if not anywhere:
        if not told.isdigit():  # a word of our own sentences
            return lambda _: False
        alone = re.compile(rf"(?<![^\W_]){re.escape(driver_id)}(?![^\W_])")
        return lambda text: alone.search(text) is not None

    def holds(text: str) -> bool:
        text = OWN_WORD.sub("", text)
        if len(told) < BYTES_FROM and driver_id not in text:  # in any case of letters it stands in any fingerprint
            return False
        texts = (text, unquote(text)) if "%" in text else (text,)
        return any(told in _without(fold_text(one)[0], longer) for one in texts)

    return holds


def _without(told: str, longer: list[str]) -> str:
    for one in longer:
        told = told.replace(one, "\0")
    return told


def _in_bytes(path: Path, driver_id: str) -> bool:
    """Whether the file holds the id in any of its forms, read a stretch at a time.

    Not by ``mmap.find``: in Python 3.11 it may read one byte past a file that ends with a page, and ends the program.
    """
    forms = tuple(_forms(driver_id))
    overlap = max(map(len, forms)) - 1
    kept = b""
    with path.open("rb") as file:
        while read := file.read(_STRETCH):
            stretch = kept + read
            if any(form in stretch for form in forms):
                return True
            kept = stretch[-overlap:] if overlap else b""
    return False


def _forms(driver_id: str) -> Iterable[bytes]:
    """The id as bytes may hold it: UTF-8, UTF-16, within JSON, within an address."""
    plain = driver_id.encode("utf-8", "surrogatepass")
    yield plain
    for order in ("utf-16-le", "utf-16-be"):
        yield driver_id.encode(order, "surrogatepass")
    for form in (json.dumps(driver_id)[1:-1], quote(plain)):
        yield form.encode()
