"""A database written anew: a file that was changed keeps old values in blocks that it no longer uses."""

from pathlib import Path
from typing import Final

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.shut import shut

#: No connection fetches or loads code from outside.
NO_EXTENSIONS: Final = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "allow_community_extensions": False,
}

#: What DuckDB may hold in memory meanwhile; own choice, rows pass through.
_MEMORY: Final = "400MB"


def write_fresh(source: Path, target: Path) -> None:
    """Write every table of a database that nobody has open into a new file, rows in their order.

    Raises
    ------
    StoreError
        The one cannot be read or the other not be written.
    """
    try:
        config: dict[str, str | bool | int | float | list[str]] = {
            **NO_EXTENSIONS,
            "memory_limit": _MEMORY,
            "temp_directory": f"{target.resolve()}.spilled",
        }
        with duckdb.connect(":memory:", config=config) as con:
            con.execute(f"ATTACH {_text(source)} AS worn (TYPE duckdb, READ_ONLY)")
            con.execute(f"ATTACH {_text(target)} AS fresh (TYPE duckdb)")
            shut(con)
            con.execute("COPY FROM DATABASE worn TO fresh")
            con.execute("CHECKPOINT fresh")
    except duckdb.Error as error:
        first = (str(error).splitlines() or [type(error).__name__])[0]
        raise StoreError(f"The database of {source.parent} cannot be written anew: {first}") from error


def _text(path: Path) -> str:
    return "'" + str(path.resolve()).replace("'", "''") + "'"
