"""What the events, trips and files of forgotten drivers are called: their ids may stand there within longer words.

In any other text such a word is left alone; in a name of a forgotten driver's own it is his id. The names are found by
the rows that name him, or that say that they did, and are then replaced wherever they stand.
"""

from pathlib import Path
from typing import Final

import duckdb
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.store.arrow import in_one
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.forgetting.forgetter import DRIVER_COLUMNS, NAME_COLUMNS, Forgetter, forgotten_rows
from fleetbrake.store.lake import DRIVER_FORGOTTEN, PIECE_KEY, Lake
from fleetbrake.store.log import read_log
from fleetbrake.store.registers import read_register

_ROWS: Final = 200_000
#: Published tables with rows about one driver, and their columns of names.
_PUBLISHED: Final = (("events", ("event_id", "trip_id", "source_path")), ("trips", ("trip_id",)))


def own_rows(table: pa.Table, forgetter: Forgetter) -> pa.BooleanArray:
    """Which rows name a forgotten driver as theirs, or did."""
    own = pa.array([False] * table.num_rows, pa.bool_())
    if not forgetter:
        return own
    for column in DRIVER_COLUMNS & set(table.column_names):
        own = pc.or_(own, forgotten_rows(table, column, forgetter))
    if DRIVER_FORGOTTEN in table.column_names:
        own = pc.or_(own, pc.fill_null(table.column(DRIVER_FORGOTTEN), False))
    return in_one(own)


def own_names(table: pa.Table, forgetter: Forgetter) -> dict[str, str]:
    """Names in the rows of forgotten drivers that hold an id of theirs, with what they become."""
    if not forgetter or not table.num_rows or not DRIVER_COLUMNS & set(table.column_names):
        return {}
    mine = table.filter(own_rows(table, forgetter))
    columns = [name for name in table.column_names if name in NAME_COLUMNS and mine.num_rows]
    return _changed({one for name in columns for one in pc.unique(mine.column(name)).to_pylist()}, forgetter)


def names_in_lake(store: Path, forgetter: Forgetter) -> dict[str, str]:
    """Names of the events and files in the lake whose driver was forgotten, as :func:`own_names`."""
    log, lake = read_log(store), Lake(store)
    there = [entry.key for entry in log if entry.key is not None and lake.has(entry.key)]
    columns = ["driver_id", DRIVER_FORGOTTEN, "event_id", PIECE_KEY]
    names: dict[str, str] = {}
    keys: set[str] = set()
    for batch in lake.pieces(there)[0].to_batches(columns=columns, batch_size=_ROWS):
        table = pa.Table.from_batches([batch])
        names.update(own_names(table, forgetter))
        keys |= set(table.filter(own_rows(table, forgetter)).column(PIECE_KEY).to_pylist())
    return names | _changed({entry.path for entry in log if entry.key in keys}, forgetter)


def names_in_store(store: Path, forgetter: Forgetter) -> dict[str, str]:
    """Names in the lake, in the trips and in the published tables: a run that was killed may have left any of them.

    Paths of all files that name a forgotten driver are among them, so that every text has the same word in a path.
    """
    paths = forgetter.texts((entry.path for entry in read_log(store)), "path")
    names = {**paths, **own_names(read_register(store, "trips"), forgetter), **names_in_lake(store, forgetter)}
    if not database_path(store).is_file():
        return names
    with reading(store) as con:
        for table, columns in _PUBLISHED:
            names.update(_published(con, table, columns, forgetter))
    return names


def _published(
    con: duckdb.DuckDBPyConnection, table: str, columns: tuple[str, ...], forgetter: Forgetter
) -> dict[str, str]:
    drivers = con.execute(f"SELECT DISTINCT driver_id FROM {table} WHERE driver_id IS NOT NULL").fetchall()  # noqa: S608 - own names
    gone = [row[0] for row in drivers if forgetter.knows(row[0])]
    if not gone:
        return {}
    listed = con.execute(
        f"SELECT {', '.join(columns)} FROM {table} WHERE list_contains(?, driver_id)",  # noqa: S608 - own names
        [gone],
    ).fetchall()
    return _changed({one for row in listed for one in row}, forgetter)


def _changed(names: set[str | None], forgetter: Forgetter) -> dict[str, str]:
    return {one: new for one in names if one is not None and (new := forgetter.own_name(one)) != one}
