"""Recording files on the disk: which there are, what their paths say, and that each is read whatever its name."""

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.core.errors import InputError
from fleetbrake.recordings.story import printable


def text_path(path: Path | str) -> str:
    """The path as text that any table can hold; bytes that are no UTF-8 are written as ``\\xNN``."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


@contextmanager
def opened_parquet(path: Path, words: Sequence[str] = ()) -> Iterator[pq.ParquetFile]:
    """A Parquet file for reading, ``words`` as dictionaries; by its bytes, since a name need not be UTF-8."""
    with pa.OSFile(os.fsencode(path)) as handle, pq.ParquetFile(handle, read_dictionary=list(words)) as parquet:
        yield parquet


def find_recordings(paths: Iterable[Path]) -> list[Path]:
    """All ``*.parquet`` files under files and folders of any depth, sorted, each once.

    Inside a folder what is no regular file is passed over.

    Raises
    ------
    InputError
        If a path does not exist, cannot be reached, or is neither a file nor a folder.
    """
    found: dict[Path, Path] = {}
    for path in paths:
        try:
            for item in _inside(path):
                found.setdefault(item.resolve(), item)
        except OSError as error:
            raise InputError(f"{printable(text_path(path))}: cannot be read ({error.strerror or error})") from error
    return sorted(found.values())


def _inside(path: Path) -> list[Path]:
    if path.is_dir():
        return [item for item in path.rglob("*") if item.suffix.lower() == ".parquet" and _is_file(item)]
    if path.is_file():
        return [path]
    what = "is neither a file nor a folder" if path.exists() else "no such file or folder"
    raise InputError(f"{printable(text_path(path))}: {what}")


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a folder that may be listed but not entered
        return False


def file_sha256(path: Path, shown: str | None = None) -> str:
    """SHA-256 of a file's bytes in hex; InputError if it cannot be read."""
    try:
        with path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except OSError as error:
        name = printable(shown or text_path(path))
        raise InputError(f"{name}: cannot be read ({error.strerror})") from error


def vehicle_in_path(path: Path) -> str | None:
    """The vehicle named by the part ``vehicle_id=...`` nearest to the file, percent-decoded, or None.

    Bytes that are no UTF-8 are written as ``\\xNN``.
    """
    for place, part in enumerate(reversed(path.parts)):
        name, mark, value = part.partition("=")
        if mark and name == "vehicle_id":
            if place == 0 and value.lower().endswith(".parquet"):
                value = value[: -len(".parquet")]
            vehicle = text_path(unquote(value))
            return vehicle if vehicle.strip() else None
    return None
