"""Which version of the program wrote a store: one of a newer version is refused before anything of it is touched.

What an older version wrote is read as it is: columns that it did not have are NULL, and the next run adds them.
"""

from pathlib import Path
from typing import Final

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.format_mark import mark, marked
from fleetbrake.store.fresh import NO_EXTENSIONS
from fleetbrake.store.remembered import REMEMBERED, Remembered, bring_back, noted_in, remembered
from fleetbrake.store.schema import SCHEMA_VERSION, newer_sentence, setting_number
from fleetbrake.store.shut import shut

#: One number for all of a store, its published tables as well as everything beside them.
STORE_FORMAT: Final = SCHEMA_VERSION


def refuse_newer(store: Path, *, published_too: bool = False) -> None:
    """Raise ``StoreError`` where a newer version wrote the store, or where the mark of the version is damaged.

    ``published_too``: look into the published database as well, for whoever does not open it.
    """
    _refuse(store, _published(store / "fleet.duckdb") if published_too else {})


def mark_format(store: Path) -> None:
    """Write the format into the store, once; only for the holder of the writer's lock, before anything else is written.

    A lost note of what the store holds comes back from its copies then.

    Raises
    ------
    StoreError
        The folder cannot be written, or a newer version wrote the store or its published database.
    """
    settings = published_settings(store)
    _refuse(store, settings)
    if marked(store) < STORE_FORMAT:
        mark(store, STORE_FORMAT)
    bring_back(store, settings.get(REMEMBERED))


def noted_anywhere(store: Path) -> Remembered:
    """What was noted, by the copy in the published file too: for whoever does not hold the writer's lock, since the
    note may be older. StoreError where it is damaged."""
    copy, known = noted_in(published_settings(store).get(REMEMBERED)), remembered(store)
    return known if copy is None else known.together(copy)


def _refuse(store: Path, settings: dict[str, str]) -> None:
    found = max(marked(store), setting_number(settings, "schema_version"))
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
