"""One month of the store: counts for the summary, and every published table filtered to the month in UTC.

What "of the month" means for each table:

- ``events`` by the time they began, ``event_wheels`` with their event;
- ``vehicle_health``, ``indicators``, ``driver_style`` by their ``as_of``; ``inspection_plan`` by the planned day;
- ``ingest_log`` by the recorded time, for a file without one (rejected) by when it was read;
- ``unknown_ids`` by the time in which they were seen; ``observability`` has no time and is whole.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import InputError
from fleetbrake.core.tables import TABLES
from fleetbrake.reports.source import arrow, frame

_OVERLAP = "first_at < $stop AND last_at >= $start"
_WHERE: Final = {
    "vehicle_health": "as_of >= $first_day AND as_of < $next_day",
    "indicators": "as_of >= $first_day AND as_of < $next_day",
    "driver_style": "as_of >= $first_day AND as_of < $next_day",
    "inspection_plan": "planned_on >= $first_day AND planned_on < $next_day",
    "events": "started_at >= $start AND started_at < $stop",
    "event_wheels": "event_id IN (SELECT event_id FROM events WHERE started_at >= $start AND started_at < $stop)",
    "ingest_log": f"({_OVERLAP}) OR (first_at IS NULL AND loaded_at >= $start AND loaded_at < $stop)",
    "observability": "true",
    "unknown_ids": _OVERLAP,
}
_ORDER: Final = {
    "vehicle_health": "as_of, rank",
    "indicators": "as_of, vehicle_id, indicator, wheel",
    "driver_style": "as_of, rank",
    "inspection_plan": "planned_on, depot, position",
    "events": "started_at, event_id",
    "event_wheels": "event_id, wheel",
    "ingest_log": "path",
    "observability": "subject",
    "unknown_ids": "kind, id",
}

#: Columns that hold a driver's id, and columns of free text that may name one.
_DRIVER_COLUMNS: Final = {"events": "driver_id", "driver_style": "driver_id"}
_FREE_TEXT: Final = {
    "events": ("notes", "source_path"),
    "ingest_log": ("path", "reason"),
    "driver_style": ("note",),
    "vehicle_health": ("reason", "open_report"),
    "inspection_plan": ("reason", "note"),
}


@dataclass(frozen=True)
class MonthFigures:
    """Counts of one month; the ``*_unknown`` ones could not be observed and are in no other count."""

    events: int
    vehicles: int
    drivers: int
    hard_stops: int
    modulation: int
    lockup: int
    lockup_above_cutoff: int
    hard_stop_unknown: int
    modulation_unknown: int
    lockup_unknown: int
    files: int
    files_rejected: int


@dataclass(frozen=True)
class Period:
    """A month in UTC, first moment in, last out."""

    month: str
    start: datetime
    stop: datetime

    @property
    def days(self) -> tuple[date, date]:
        """First day, and first day after."""
        return self.start.date(), self.stop.date()


def period(month: str) -> Period:
    """The month ``YYYY-MM``.

    Raises
    ------
    InputError
        If the text is no month.
    """
    found = re.fullmatch(r"([0-9]{4})-([0-9]{2})", month)
    if not found or not 1 <= int(found[2]) <= 12 or not 1900 <= int(found[1]) < 9999:
        raise InputError(f"{month!r} is no month: give it as YYYY-MM, for example 2026-01.")
    year, number = int(found[1]), int(found[2])
    after = datetime(year + number // 12, number % 12 + 1, 1, tzinfo=UTC)
    return Period(month, datetime(year, number, 1, tzinfo=UTC), after)


def _query(name: str, columns: str = "*") -> tuple[str, list[str]]:
    """SELECT of a table's rows of the month; the names of its parameters in order."""
    names = re.findall(r"\$(\w+)", _WHERE[name])
    where = re.sub(r"\$\w+", "?", _WHERE[name])
    return f'SELECT {columns} FROM "{name}" WHERE {where} ORDER BY {_ORDER[name]}', names  # noqa: S608 - own constants


def _values(of: Period, names: list[str]) -> list[object]:
    first_day, next_day = of.days
    known: dict[str, object] = {"start": of.start, "stop": of.stop, "first_day": first_day, "next_day": next_day}
    return [known[name] for name in names]


def month_events(store: Path, month: str) -> pd.DataFrame:
    """Events of the month with what charts need: id, start and classes."""
    sql, names = _query("events", "event_id, started_at, hard_stop, modulation, lockup, lockup_above_cutoff")
    return frame(store, sql, _values(period(month), names))


def month_figures(store: Path, month: str) -> MonthFigures:
    """Counts of one month, straight from ``events`` and ``ingest_log``."""
    of = period(month)
    row = frame(
        store,
        """
        SELECT count(*) AS events, count(DISTINCT vehicle_id) AS vehicles, count(DISTINCT driver_id) AS drivers,
               count(*) FILTER (hard_stop) AS hard_stops, count(*) FILTER (modulation) AS modulation,
               count(*) FILTER (lockup) AS lockup, count(*) FILTER (lockup_above_cutoff) AS lockup_above_cutoff,
               count(*) FILTER (hard_stop IS NULL) AS hard_stop_unknown,
               count(*) FILTER (modulation IS NULL) AS modulation_unknown,
               count(*) FILTER (lockup IS NULL) AS lockup_unknown
        FROM events WHERE started_at >= ? AND started_at < ?
        """,
        [of.start, of.stop],
    ).iloc[0]
    sql, names = _query("ingest_log", "status")
    status = frame(store, sql, _values(of, names))["status"]
    counts = {str(k): int(v) for k, v in row.items()}
    return MonthFigures(**counts, files=len(status), files_rejected=int((status == "rejected").sum()))


def month_tables(store: Path, month: str, alias: Callable[[str], str] | None) -> dict[str, pa.Table]:
    """Every table of :data:`fleetbrake.core.tables.TABLES`, filtered to the month, columns in the published order.

    ``alias`` replaces each driver's id, wherever it stands (also inside notes and paths); None leaves ids as they are.
    """
    of = period(month)
    tables = {}
    for name, columns in TABLES.items():
        sql, names = _query(name, ", ".join(f'"{c.name}"' for c in columns))
        tables[name] = arrow(store, sql, _values(of, names))
    if alias is None:
        return tables
    known = _all_drivers(store)
    for name, column in _DRIVER_COLUMNS.items():
        tables[name] = _map_column(tables[name], column, alias)
    tables["unknown_ids"] = _map_unknown(tables["unknown_ids"], alias)
    inside = _inside_text(known, alias)
    if inside is not None:
        for name, free in _FREE_TEXT.items():
            for column in free:
                tables[name] = _map_column(tables[name], column, inside)
    return tables


def _all_drivers(store: Path) -> list[str]:
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


def _map_unknown(table: pa.Table, alias: Callable[[str], str]) -> pa.Table:
    kinds, ids = table["kind"].to_pylist(), table["id"].to_pylist()
    changed = [alias(i) if k == "driver" and i is not None else i for k, i in zip(kinds, ids, strict=True)]
    return table.set_column(table.column_names.index("id"), "id", pa.array(changed, type=pa.string()))


def _inside_text(drivers: list[str], alias: Callable[[str], str]) -> Callable[[str], str] | None:
    """Replaces driver ids inside free text, longest first. An id that is a bare number or very short counts only after
    the word "driver", so that row numbers stay row numbers."""
    if not drivers:
        return None
    telling = sorted((d for d in drivers if len(d) >= 3 and not d.isdigit()), key=len, reverse=True)
    plain = sorted(set(drivers) - set(telling), key=len, reverse=True)
    parts = [rf"(?<!\w)(?:{'|'.join(map(re.escape, telling))})(?!\w)"] if telling else []
    if plain:
        after = "|".join(rf"(?<={word})" for word in ("driver ", "driver '", 'driver "', "driver_id=", "driver_id "))
        parts.append(rf"(?:{after})(?:{'|'.join(map(re.escape, plain))})(?!\w)")
    pattern = re.compile("|".join(parts))
    return lambda text: pattern.sub(lambda m: alias(m.group(0)), text)
