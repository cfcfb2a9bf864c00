"""What the log says of itself in its footer: which writing it is, and whether it lacks files."""

from pathlib import Path
from typing import Final, NamedTuple

import pyarrow as pa

from fleetbrake.store.numbered import NUMBER, footer_of, number_in

_READINGS: Final = b"fleetbrake.readings"
_LACKING: Final = b"fleetbrake.lacking"


class LogMark(NamedTuple):
    """The writing of a log.

    Attributes
    ----------
    number : of the writing, 0 where an earlier version wrote it.
    rows : number of files that it names.
    readings : fingerprint of the readings that it names; empty where an earlier version wrote it.
    lacking : number of files that a newer log named, and that were not read in again since.
    """

    number: int = 0
    rows: int = 0
    readings: str = ""
    lacking: int = 0


def log_path(store: Path) -> Path:
    """Where the log is."""
    return store / "lake" / "log.parquet"


def marked(rows: pa.Table, mark: LogMark) -> pa.Table:
    """The log with what it says of itself."""
    told = {NUMBER: mark.number, _READINGS: mark.readings, _LACKING: mark.lacking}
    return rows.replace_schema_metadata({name: str(value).encode() for name, value in told.items()})


def log_mark(store: Path) -> LogMark | None:
    """What the log of a store says of itself; None where it is gone or cannot be read, which is told by whoever reads
    it."""
    footer = footer_of(log_path(store))
    if footer is None:
        return None
    readings: bytes = (footer.metadata or {}).get(_READINGS, b"")
    return LogMark(
        number_in(footer, NUMBER),
        int(footer.num_rows),
        readings.decode("ascii", "replace"),
        number_in(footer, _LACKING),
    )
