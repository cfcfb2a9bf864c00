"""What a disk refused to a database of the store, in one sentence that says what to do."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.disk_words import reason_in

#: DuckDB has one kind of error for each of these, and after the first of them says "fatal" to whatever is asked.
_OF_THE_DISK: Final = (
    duckdb.IOException,
    duckdb.OutOfMemoryException,
    duckdb.FatalException,
    duckdb.PermissionException,
    duckdb.TransactionException,  # the commit whose file cannot be opened
)

#: What DuckDB says of a file that a disk changed or cut.
_DAMAGED: Final = ("checksum", "Corrupt database", "Could not read enough bytes", "deserialize", "not a valid DuckDB")


@contextmanager
def of_database(store: Path) -> Iterator[None]:
    """Let what the disk refuses to a database of the store be one sentence.

    Raises
    ------
    StoreError
        The disk is full or gone, may not be written, or memory does not suffice; the published database is unchanged.
    """
    try:
        yield
    except StoreError as error:
        if not isinstance(error.__cause__, _OF_THE_DISK):
            raise
        raise_damaged(store, error.__cause__)
        raise StoreError(_sentence(store, error.__cause__)) from error.__cause__
    except _OF_THE_DISK as error:
        raise_damaged(store, error)
        raise StoreError(_sentence(store, error)) from error
    except duckdb.Error as error:
        raise_damaged(store, error)
        raise


def raise_damaged(store: Path, error: duckdb.Error) -> None:
    """``StoreError`` where the error says that a disk changed the published file; else nothing."""
    if any(words in str(error) for words in _DAMAGED):
        raise StoreError(
            f"The published file of {store} is damaged: {str(error).splitlines()[0]}. `fleetbrake check --repair` "
            "makes it anew from what is left."
        ) from error


def _sentence(store: Path, error: Exception) -> str:
    said = (str(error).splitlines() or [type(error).__name__])[0].rstrip(".")
    what = reason_in(said)
    return f"Cannot write the database of {store}: {what}. What was published before is unchanged."
