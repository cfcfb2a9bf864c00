"""How often a register was written, in its own file: an older copy that was put in its place is known by its number."""

from pathlib import Path
from typing import Final, NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.store.sealed import check_footer

#: Name of the number among what a Parquet file says of itself.
_NUMBER: Final = b"fleetbrake.written"
_READINGS: Final = b"fleetbrake.readings"


class Written(NamedTuple):
    """The writing of a file: its number, 1 for the first and 0 where an older version wrote it, and the rows."""

    number: int = 0
    rows: int = 0


def numbered(table: pa.Table, number: int, readings: str | None = None) -> pa.Table:
    """The table with the number of its writing; ``readings``: fingerprint of what the log names."""
    told = {_NUMBER: str(number).encode()}
    return table.replace_schema_metadata(told if readings is None else {**told, _READINGS: readings.encode()})


def written(path: Path) -> Written | None:
    """Which writing a Parquet file is; None where it cannot be read, which is told by whoever reads it."""
    told = _told(path)
    if told is None:
        return None
    number = (told.metadata or {}).get(_NUMBER, b"0")
    return Written(int(number) if number.isdigit() else 0, int(told.num_rows))


def readings_of(path: Path) -> str:
    """Fingerprint of the readings that a log names, as its file says; empty where it says none, or cannot be read."""
    told = _told(path)
    found: bytes = b"" if told is None else (told.metadata or {}).get(_READINGS, b"")
    return found.decode("ascii", "replace")


def _told(path: Path) -> pq.FileMetaData | None:
    try:
        with path.open("rb") as file:
            check_footer(file)
            return pq.ParquetFile(file).metadata
    except (OSError, ValueError, pa.ArrowException):
        return None
