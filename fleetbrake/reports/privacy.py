"""What a report file may tell: drivers under aliases, no trip that leads back to one, no machine's folders."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.reports.names_in_text import NamesInText
from fleetbrake.reports.source import frame

#: Columns that hold a driver's id, and columns of free text that may name one.
_DRIVER_COLUMNS: Final = {"events": "driver_id", "driver_style": "driver_id", "driver_coaching": "driver_id"}
_FREE_TEXT: Final = {
    "events": ("notes", "source_path"),
    "ingest_log": ("path", "reason"),
    "driver_style": ("note",),
    "driver_coaching": ("sentence",),
    "vehicle_health": ("reason", "open_report"),
    "inspection_plan": ("reason", "note"),
}
#: Columns that hold a trip.
_TRIP_COLUMNS: Final = {"events": "trip_id", "indicator_trips": "trip"}
#: Columns that are a path, and columns of free text that may hold one.
_PATH_COLUMNS: Final = {"events": "source_path", "ingest_log": "path"}
_PATH_TEXT: Final = {"events": "notes", "ingest_log": "reason"}


def with_aliases(store: Path, tables: dict[str, pa.Table], alias: Callable[[str], str]) -> dict[str, pa.Table]:
    """The tables with each driver's id replaced, wherever it stands (also inside notes and paths).

    Trips become NULL: whoever holds the register of trips would read the driver from it.
    """
    told = dict(tables)
    for name, column in _DRIVER_COLUMNS.items():
        told[name] = _map_column(told[name], column, alias)
    told["unknown_ids"] = _map_unknown(told["unknown_ids"], alias)
    for name, column in _TRIP_COLUMNS.items():
        told[name] = _emptied(told[name], column)
    inside = NamesInText(all_drivers(store), alias)
    for name, free in _FREE_TEXT.items():
        for column in free:
            told[name] = _map_column(told[name], column, inside)
    return told


def with_short_paths(store: Path, tables: dict[str, pa.Table]) -> dict[str, pa.Table]:
    """The tables with every recording's path as ``folder/file``, in the columns of paths and inside free text."""
    told = dict(tables)
    for name, column in _PATH_COLUMNS.items():
        told[name] = _map_column(told[name], column, short_path)
    inside = _without_folders(store)
    for name, column in _PATH_TEXT.items():
        told[name] = _map_column(told[name], column, inside)
    return told


def short_path(path: str) -> str:
    """The last two parts of a path: its folder and file."""
    parts = re.split(r"[/\\]+", path)
    return path if len(parts) <= 2 else "/".join(parts[-2:])


def _without_folders(store: Path) -> Callable[[str], str]:
    """Takes all but the last two parts from every logged path inside a text."""
    logged = frame(
        store,
        "SELECT DISTINCT path FROM (SELECT path FROM ingest_log UNION SELECT source_path FROM events) "
        "WHERE path IS NOT NULL",
    )["path"]
    before = {path[: len(path) - len(short_path(path))] for path in map(str, logged)}
    longest = sorted((folder for folder in before if folder), key=len, reverse=True)
    if not longest:
        return lambda text: text
    pattern = re.compile("|".join(map(re.escape, longest)))
    return lambda text: pattern.sub("", text)


def all_drivers(store: Path) -> list[str]:
    """Every driver's id that any table of the store names, in no order."""
    found = frame(
        store,
        "SELECT DISTINCT driver_id FROM (SELECT driver_id FROM events UNION SELECT driver_id FROM drivers "
        "UNION SELECT driver_id FROM trips UNION SELECT driver_id FROM driver_style "
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
