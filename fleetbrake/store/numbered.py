"""How often a register was written, in its own file: an older copy that was put in its place is known by its number."""

from pathlib import Path
from typing import Final, NamedTuple

import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.store.sealed import check_footer

#: Name of the number among what a Parquet file says of itself.
NUMBER: Final = b"fleetbrake.written"


class Written(NamedTuple):
    """The writing of a file: its number, 1 for the first and 0 where an older version wrote it, and the rows."""

    number: int = 0
    rows: int = 0


def numbered(table: pa.Table, number: int) -> pa.Table:
    """The table with the number of its writing."""
    return table.replace_schema_metadata({NUMBER: str(number).encode()})


def written(path: Path) -> Written | None:
    """Which writing a Parquet file is; None where it cannot be read, which is told by whoever reads it."""
    footer = footer_of(path)
    return None if footer is None else Written(number_in(footer, NUMBER), int(footer.num_rows))


def footer_of(path: Path) -> pq.FileMetaData | None:
    """What a Parquet file says of itself; None where it cannot be read."""
    try:
        with path.open("rb") as file:
            check_footer(file)
            return pq.ParquetFile(file).metadata
    except (OSError, ValueError, pa.ArrowException):
        return None


def number_in(footer: pq.FileMetaData, name: bytes) -> int:
    """A number among what it says; 0 where it says none."""
    told: bytes = (footer.metadata or {}).get(name, b"0")
    return int(told) if told.isdigit() else 0
