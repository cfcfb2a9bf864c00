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
from fleetbrake.store.remembered import REMEMBERED, bring_back
from fleetbrake.store.schema import SCHEMA_VERSION, newer_sentence
from fleetbrake.store.shut import shut

#: One number for all of a store, its published tables as well as everything beside them.
STORE_FORMAT: Final = SCHEMA_VERSION
FORMAT_NAME: Final = "format.json"


def refuse_newer(store: Path, *, published_too: bool = False) -> None:
    """Raise ``StoreError`` where a newer version wrote the store, or where the mark of the version is damaged.

    ``published_too``: look into the published database as well, for whoever does not open it.
    """
    _refuse(store, _published(store / "fleet.duckdb") if published_too else {})


def mark_format(store: Path) -> None:
    """Write the format into the store, once; only for the holder of the writer's lock, before anything else is written.

    A lost note of what the store holds comes back from its copy then.

    Raises
    ------
    StoreError
        The folder cannot be written, or a newer version wrote the store or its published database.
    """
    settings = published_settings(store)
    _refuse(store, settings)
    bring_back(store, settings.get(REMEMBERED))
    if _marked(store / FORMAT_NAME) < STORE_FORMAT:
        write_bytes(store / FORMAT_NAME, json.dumps({"format": STORE_FORMAT}).encode())


def _refuse(store: Path, settings: dict[str, str]) -> None:
    told = settings.get("schema_version", "0")
    found = max(_marked(store / FORMAT_NAME), int(told) if told.isdigit() else 0)
    if found > STORE_FORMAT:
        raise StoreError(newer_sentence(found))


def published_settings(store: Path) -> dict[str, str]:
    """What the published database says of itself; nothing where there is none or it cannot be read."""
    return _published(store / "fleet.duckdb")


def _published(path: Path) -> dict[str, str]:
    """What a published database says of itself; nothing where there is none or it cannot be read, which others tell."""
    if not path.is_file():
        return {}
    try:
        # an instance of its own, so that a file replaced since is not taken for the one before it
        with duckdb.connect(":memory:", config=dict(NO_EXTENSIONS)) as con:
            con.execute("ATTACH '" + str(path.resolve()).replace("'", "''") + "' AS fleet (TYPE duckdb, READ_ONLY)")
            shut(con)
            rows = con.execute("SELECT name, value FROM fleet.settings").fetchall()
            return {str(name): str(value) for name, value in rows}
    except (duckdb.Error, ValueError):
        return {}


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
