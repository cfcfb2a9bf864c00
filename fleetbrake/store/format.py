"""Which version of the program wrote a store: one of a newer version is refused before anything of it is touched.

What an older version wrote is read as it is: columns that it did not have are NULL, and the next run adds them.
"""

import json
from pathlib import Path
from typing import Final

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.files import write_bytes
from fleetbrake.store.fresh import NO_EXTENSIONS
from fleetbrake.store.schema import SCHEMA_VERSION, newer_sentence
from fleetbrake.store.shut import shut

#: One number for all of a store, its published tables as well as everything beside them.
STORE_FORMAT: Final = SCHEMA_VERSION
FORMAT_NAME: Final = "format.json"


def refuse_newer(store: Path, *, published_too: bool = False) -> None:
    """Raise ``StoreError`` where a newer version wrote the store, or where the mark of the version is damaged.

    ``published_too``: look into the published database as well, for whoever does not open it.
    """
    found = _marked(store / FORMAT_NAME)
    if published_too:
        found = max(found, _published(store / "fleet.duckdb"))
    if found > STORE_FORMAT:
        raise StoreError(newer_sentence(found))


def mark_format(store: Path) -> None:
    """Write the format into the store, once; only for the holder of the writer's lock, before anything else is written.

    Raises
    ------
    StoreError
        The folder cannot be written, or a newer version wrote the store or its published database.
    """
    refuse_newer(store, published_too=True)
    if _marked(store / FORMAT_NAME) < STORE_FORMAT:
        write_bytes(store / FORMAT_NAME, json.dumps({"format": STORE_FORMAT}).encode())


def _published(path: Path) -> int:
    """The number in a published database; 0 where there is none or it cannot be read, which others tell."""
    if not path.is_file():
        return 0
    try:
        # an instance of its own, so that a file replaced since is not taken for the one before it
        with duckdb.connect(":memory:", config=dict(NO_EXTENSIONS)) as con:
            con.execute("ATTACH '" + str(path.resolve()).replace("'", "''") + "' AS fleet (TYPE duckdb, READ_ONLY)")
            shut(con)
            row = con.execute("SELECT value FROM fleet.settings WHERE name = 'schema_version'").fetchone()
            return 0 if row is None else int(row[0])
    except (duckdb.Error, ValueError):
        return 0


def _marked(path: Path) -> int:
    """The number in the file; 0 without one, as versions before the first mark left it."""
    try:
        found = json.loads(path.read_bytes())["format"]
    except (FileNotFoundError, NotADirectoryError):
        return 0
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"{path} cannot be read, so that it is not known which version wrote the store; put it back from a copy, "
            "or remove it if no other version of fleetbrake was ever used with this store."
        ) from error
    if not isinstance(found, int) or isinstance(found, bool):
        raise StoreError(f"{path} is damaged: it names no format.")
    return found
