"""Recording files on the disk: which there are, what their paths say, and that each is read whatever its name."""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.core.foreign_text import kept_id


def text_path(path: Path | str) -> str:
    """The path as text that any table can hold; bytes that are no UTF-8 are written as ``\\xNN``."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


@contextmanager
def opened_parquet(path: Path, words: Sequence[str] = ()) -> Iterator[pq.ParquetFile]:
    """A Parquet file for reading, ``words`` as dictionaries; by its bytes, since a name need not be UTF-8."""
    with pa.OSFile(os.fsencode(path)) as handle, pq.ParquetFile(handle, read_dictionary=list(words)) as parquet:
        yield parquet


class Place(Protocol):
    """Anything that knows the folders it lies in."""

    @property
    def parts(self) -> tuple[str, ...]:
        """Folders and name, from the root down."""


def vehicle_in_path(path: Place) -> str | None:
    """The vehicle named by the part ``vehicle_id=...`` nearest to the file, percent-decoded, or None.

    Bytes that are no UTF-8 are written as ``\\xNN``.
    """
    for place, part in enumerate(reversed(path.parts)):
        name, mark, value = part.partition("=")
        if mark and name == "vehicle_id":
            if place == 0 and value.lower().endswith(".parquet"):
                value = value[: -len(".parquet")]
            vehicle = text_path(unquote(value))
            return kept_id(vehicle) or None
    return None
