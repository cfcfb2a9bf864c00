"""What people entered and is gone, damaged or not readable, taken for lost by a person who says so; the rest stays."""

import sqlite3
from collections.abc import Collection
from contextlib import closing
from pathlib import Path

from pydantic import ValidationError

from fleetbrake.core.errors import StoreError
from fleetbrake.store.aside import Aside
from fleetbrake.store.database import database_path, reading, rebuilding
from fleetbrake.store.disk_words import sqlite_reason
from fleetbrake.store.entered import entries, rewriting
from fleetbrake.store.entered_lost import ENTERED_FILE, ENTERED_UP_TO, noted_entries_lost
from fleetbrake.store.entered_rows import KINDS
from fleetbrake.store.entered_seals import ENTERED_NAME, number_anew, seal_as_they_are, seals_there
from fleetbrake.store.lost import lost_entries
from fleetbrake.store.remembered import give_up, remembered
from fleetbrake.store.schema import SETTINGS
from fleetbrake.upkeep.check.kept import entry_problem
from fleetbrake.upkeep.check.unreadable import unreadable_aside


def give_up_entries(store: Path) -> bool:
    """Go on without the entries that are lost; whether any is. Only for the holder of the writer's lock.

    A file that cannot be read goes aside whole. Otherwise entries that cannot be read go, a copy of the file first, and
    those that are not what was entered count as they stand.

    Raises
    ------
    StoreError
        Something that is there cannot be read now, though it need not be damaged; nothing was given up.
    """
    remembered(store)
    aside, published = unreadable_aside(store, "entries"), database_path(store).is_file()
    single = _single_ones(store)
    if not (aside or single or _numbers_lost(store, published)):
        return False
    entries(store)  # StoreError before anything is given up, where what is left cannot be read
    if published:
        with rebuilding(store) as con:
            con.execute(f"DELETE FROM {SETTINGS} WHERE name IN ('{ENTERED_UP_TO}', '{ENTERED_FILE}')")  # noqa: S608 - own names
    number_anew(store)
    give_up(store, "entries")
    return True


def _numbers_lost(store: Path, published: bool) -> bool:
    if not published:
        return noted_entries_lost(store) is not None
    with reading(store) as con:
        return lost_entries(con, store) is not None


def _single_ones(store: Path) -> bool:
    """Set right what single entries are damaged; whether any was."""
    if not (store / ENTERED_NAME).is_file():
        return False
    seals = seals_there(store)
    bad = _unreadable(store, seals.broken)
    if not (seals.gone or seals.broken or bad):
        return False
    _keep_copy(store)
    with rewriting(store) as con:
        con.executemany("DELETE FROM entered WHERE entry_id = ?", [(number,) for number in bad])
    seal_as_they_are(store)
    return True


def _unreadable(store: Path, broken: Collection[int]) -> list[int]:
    """Numbers of entries that no version can have written so; those of a newer version are not among them."""
    try:
        with closing(_connected(store / ENTERED_NAME)) as con:
            rows = con.execute("SELECT entry_id, made_at, made_by, kind, vehicle_id, body FROM entered").fetchall()
    except sqlite3.Error as error:
        raise StoreError(
            f"{store / ENTERED_NAME}: what people entered cannot be read ({sqlite_reason(error)})."
        ) from error
    return [
        row[0] for row in rows if entry_problem(*row[1:]) and (row[0] in broken or not _may_be_newer(row[3], row[5]))
    ]


def _may_be_newer(kind: object, body: object) -> bool:
    """Whether a newer version may have written an entry that this one cannot read."""
    try:
        return str(kind) not in KINDS or not KINDS[str(kind)].model_validate_json(str(body))
    except ValidationError as error:
        return any(one["type"] == "extra_forbidden" for one in error.errors())


def _connected(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=rw", uri=True, timeout=15)


def _keep_copy(store: Path) -> None:
    """The file as it is, beside the store's own: a page may be writing it."""
    path = store / ENTERED_NAME
    try:
        with closing(_connected(path)) as con, closing(sqlite3.connect(Aside(store).folder / ENTERED_NAME)) as copy:
            con.backup(copy)
    except sqlite3.Error as error:
        raise StoreError(f"{path} cannot be copied ({sqlite_reason(error)}); nothing was given up.") from error
