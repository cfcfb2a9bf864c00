"""The published file follows what was dropped: noted before the first change, so that a killed run is completed.

Publishing reads the whole lake. Whoever publishes next, a run that reads recordings for instance, does it for both.
"""

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any, Final

import duckdb

from fleetbrake.store.ageing.retention import read_state, write_state
from fleetbrake.store.ageing.retention_clock import believed
from fleetbrake.store.database import database_path
from fleetbrake.store.format import published_settings
from fleetbrake.store.holding.holds import Hold, active_holds
from fleetbrake.store.remembered import PUBLISHED_ANEW, made_anew, remember_made_anew, remembered
from fleetbrake.store.schema import SETTINGS, note_setting, setting_number

#: How often the published file was made anew because something was dropped: its setting.
MADE_ANEW: Final = "dropped_rows_published"
#: Published tables of drivers by day scored: their days outlive their period as the events behind them do.
BY_DAY: Final = ("driver_style", "driver_coaching")


def note_pending(store: Path) -> None:
    """Note that the published file has to be made anew, in a new file."""
    state = read_state(store)
    if not state.get("pending"):
        write_state(store, {**state, "pending": True})


def is_pending(store: Path) -> bool:
    """Whether the published file may still hold what was dropped."""
    return bool(read_state(store).get("pending")) or is_older_published(store)


def is_older_published(store: Path) -> bool:
    """Whether the published file is of before the last time that something was dropped: an older copy."""
    if not database_path(store).is_file():
        return False
    return setting_number(published_settings(store), MADE_ANEW) < max(
        made_anew(read_state(store)), remembered(store).made_anew
    )


def note_published(store: Path) -> None:
    """Note that it was made anew."""
    state, number = read_state(store), setting_number(published_settings(store), MADE_ANEW)
    if not state:  # rules that were given up: a file without them would look like an older copy
        return
    if state.pop("pending", None) is not None or made_anew(state) < number:
        remember_made_anew(store, number)  # first: a run that is killed in between is completed
        write_state(store, {**state, PUBLISHED_ANEW: number})


def old_days(con: duckdb.DuckDBPyConnection, first_kept: date | None, holds: Sequence[Hold]) -> dict[str, int]:
    """Rows of drivers whose day is too old and that no hold on the driver keeps, by table."""
    counted: dict[str, int] = {}
    for name in BY_DAY:
        where, given = _too_old(first_kept, holds)
        row = con.execute(f"SELECT count(*) FROM {name} WHERE {where}", given).fetchone()  # noqa: S608 - own names
        if row is not None and row[0]:
            counted[name] = int(row[0])
    return counted


def drop_old_days(con: duckdb.DuckDBPyConnection, store: Path) -> None:
    """Drop them, by the cutoff that was applied last. The file is counted, so that an older one is known."""
    state = read_state(store)
    cutoff = believed(state).get("cutoff")
    where, given = _too_old(date.fromisoformat(cutoff) if cutoff else None, active_holds(store))
    for name in BY_DAY:
        con.execute(f"DELETE FROM {name} WHERE {where}", given)  # noqa: S608 - own names
    told = con.execute(f"SELECT name, value FROM {SETTINGS} WHERE name = '{MADE_ANEW}'").fetchall()  # noqa: S608 - own names
    before = max(made_anew(state), remembered(store).made_anew, setting_number(dict(told), MADE_ANEW))
    note_setting(con, MADE_ANEW, str(before + 1))


def _too_old(first_kept: date | None, holds: Sequence[Hold]) -> tuple[str, list[Any]]:
    if first_kept is None:
        return "false", []
    where, given = "as_of < ?", list[Any]([first_kept])
    for hold in holds:
        if hold.driver_id is not None:
            where += " AND NOT (driver_id = ? AND as_of >= ? AND as_of <= ?)"
            since = hold.from_at.date() if hold.from_at else date.min
            given += [hold.driver_id, since, hold.to_at.date() if hold.to_at else date.max]
    return where, given
