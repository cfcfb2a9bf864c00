"""What a report file may tell: drivers under aliases, no trip that leads back to one, no place, no machine's folders.

Which columns that concerns follows from the tables' own list, see :mod:`fleetbrake.reports.column_kinds`.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.reports.column_kinds import DRIVERS, OURS, PATHS, POSITIONS, TRIPS, columns_of, free_text
from fleetbrake.reports.names_in_text import NamesInText
from fleetbrake.reports.places_in_text import without_places
from fleetbrake.reports.source import frame
from fleetbrake.reports.trips_in_text import trips_in_text

#: Tables listed in the order of drivers' ids: under aliases that order would tell which alias is whose.
_IN_ORDER: Final = {"driver_coaching": ("driver_id", "position"), "unknown_ids": ("kind", "id")}


Tables = dict[str, pa.Table]


def fit_to_tell(store: Path, alias: Callable[[str], str] | None) -> Callable[[Tables], Tables]:
    """Function from tables of the store, by name, to what a report may tell of them.

    Every recording's path is cut to ``folder/file``, in its columns and inside free text. With ``alias`` each driver's
    id is replaced as well, wherever it stands (also inside free text and paths), and trips and places become NULL, in
    free text ``(trip)`` and ``(place)``: whoever holds the register of trips would read the driver from them.
    """
    outside = without_folders(store)
    inside = None if alias is None else _nobody_inside(store, alias)

    def told(tables: Tables) -> Tables:
        tables = {name: _with_short_paths(name, table, outside) for name, table in tables.items()}
        if alias is None or inside is None:
            return tables
        return _by_alias({name: _hidden(name, table, alias, inside) for name, table in tables.items()}, alias)

    return told


def _by_alias(told: Tables, alias: Callable[[str], str]) -> Tables:
    """What needs more than its columns' rule: ids whose row says what they are, rows in the order of ids."""
    if "unknown_ids" in told:
        told["unknown_ids"] = _map_unknown(told["unknown_ids"], alias)
    if "driver_style" in told:
        told["driver_style"] = _unscored_by_alias(told["driver_style"])
    for name in _IN_ORDER.keys() & told.keys():
        told[name] = told[name].sort_by([(column, "ascending") for column in _IN_ORDER[name]])
    return told


def _nobody_inside(store: Path, alias: Callable[[str], str]) -> Callable[[str], str]:
    """Function from a text to the text without trips and with aliases."""
    trips, names = trips_in_text(store), NamesInText(all_drivers(store), alias)
    return lambda text: names(trips(text))


def _hidden(name: str, table: pa.Table, alias: Callable[[str], str], inside: Callable[[str], str]) -> pa.Table:
    for column in columns_of(name, DRIVERS):
        table = _map_column(table, column, alias)
    for column in columns_of(name, TRIPS | POSITIONS):
        table = _emptied(table, column)
    for column in free_text(name):
        table = _map_column(table, column, inside)
        if column not in PATHS | OURS:
            table = _map_column(table, column, without_places)
    return table


def _with_short_paths(name: str, table: pa.Table, outside: Callable[[str], str]) -> pa.Table:
    for column in free_text(name):
        table = _map_column(table, column, short_path if column in PATHS else outside)
    return table


def short_path(path: str) -> str:
    """The last two parts of a path: its folder and file."""
    parts = re.split(r"[/\\]+", path)
    return path if len(parts) <= 2 else "/".join(parts[-2:])


def without_folders(store: Path) -> Callable[[str], str]:
    """Function that takes all but the last two parts from every logged path inside a text."""
    # one file stands for all of its folder: a fleet has hundreds of thousands of files
    logged = frame(
        store,
        r"SELECT DISTINCT regexp_replace(path, '[^/\\]*$', '') || 'x' AS path "
        "FROM (SELECT path FROM ingest_log UNION ALL SELECT source_path FROM events) WHERE path IS NOT NULL",
    )["path"]
    before = {path[: len(path) - len(short_path(path))] for path in map(str, logged)}
    # a folder of one letter ("/") is no folder's name and stands in dates and units too
    longest = sorted((folder for folder in before if len(folder) > 1), key=lambda f: (-len(f), f))
    if not longest:
        return str
    pattern = re.compile("|".join(map(re.escape, longest)))
    return lambda text: pattern.sub("", text)


def all_drivers(store: Path) -> list[str]:
    """Every driver's id that any table of the store names, in no order."""
    found = frame(
        store,
        "SELECT DISTINCT driver_id FROM (SELECT driver_id FROM events UNION SELECT driver_id FROM drivers "
        "UNION SELECT driver_id FROM trips UNION SELECT driver_id FROM driver_style "
        "UNION SELECT driver_id FROM driver_coaching "
        "UNION SELECT id FROM unknown_ids WHERE kind = 'driver') WHERE driver_id IS NOT NULL AND driver_id <> ''",
    )
    return [str(d) for d in found["driver_id"]]


def _map_column(table: pa.Table, column: str, change: Callable[[str], str]) -> pa.Table:
    """The table with each distinct text of a column replaced; NULL stays."""
    coded = pc.dictionary_encode(table[column]).combine_chunks()
    coded = coded if isinstance(coded, pa.DictionaryArray) else coded.chunk(0)
    changed = pa.array([change(text) for text in coded.dictionary.to_pylist()], type=pa.string())
    return table.set_column(table.column_names.index(column), column, changed.take(coded.indices))


def _emptied(table: pa.Table, column: str) -> pa.Table:
    place = table.column_names.index(column)
    return table.set_column(place, column, pa.nulls(table.num_rows, table.schema.field(place).type))


def _map_unknown(table: pa.Table, alias: Callable[[str], str]) -> pa.Table:
    kinds, ids = table["kind"].to_pylist(), table["id"].to_pylist()
    changed = [alias(i) if k == "driver" and i is not None else i for k, i in zip(kinds, ids, strict=True)]
    return table.set_column(table.column_names.index("id"), "id", pa.array(changed, type=pa.string()))


def _unscored_by_alias(table: pa.Table) -> pa.Table:
    """Drivers without a score share the last ranks in the order of their ids; here in the order of their aliases."""
    ids = table["driver_id"].to_numpy(zero_copy_only=False)
    open_rows = np.flatnonzero(pc.is_null(table["style_score"]).to_numpy(zero_copy_only=False))
    ranks = np.array(table["rank"].to_pylist(), dtype=object)
    ranks[open_rows[np.argsort(ids[open_rows].astype(str), kind="stable")]] = ranks[open_rows]
    place = table.column_names.index("rank")
    ranked = table.set_column(place, "rank", pa.array(ranks.tolist(), type=table.schema.field(place).type))
    return ranked.sort_by("rank")
