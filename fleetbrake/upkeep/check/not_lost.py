"""What is published of registers and entries against the files that it came from: one that is gone is no empty one."""

from pathlib import Path
from typing import Final

import duckdb

from fleetbrake.core.errors import StoreError
from fleetbrake.store.entered import entries as entered_rows
from fleetbrake.store.findings import ENTERED_UP_TO, MERGED_KINDS
from fleetbrake.store.recount import PUBLISHED
from fleetbrake.store.registers import register_path
from fleetbrake.store.schema import SETTINGS
from fleetbrake.upkeep.check.outcome import FROM_COPY, Outcome

#: Registers of which a published row can come from nowhere else: the others also take what people enter.
_FROM_FILES: Final = ("vehicles", "drivers", "trips", "capacity", "brake_tests")


def check_nothing_lost(
    con: duckdb.DuckDBPyConnection, store: Path, whole: set[str], registers: Outcome, entries: Outcome
) -> None:
    """What was published of registers and entries is still there: a file that is gone is no empty one."""
    for name in _FROM_FILES:
        if name not in whole or register_path(store, name).is_file():
            continue
        rows = con.execute(f"SELECT count(*) FROM {PUBLISHED}.main.{name}").fetchall()[0][0]  # noqa: S608 - own names
        if rows:
            registers.wrong.add(
                f"Register {name} is gone, and {rows} rows of it are published; {FROM_COPY}, or read it again before "
                "anything else: what publishes without it drops them."
            )
    if SETTINGS not in whole or entries.wrong.count:  # what is wrong with them is told already
        return
    told = con.execute(
        f"SELECT value FROM {PUBLISHED}.main.{SETTINGS} WHERE name = ?",  # noqa: S608 - own names
        [ENTERED_UP_TO],
    ).fetchall()
    there = _last_entry(store)
    if told and there is not None and str(told[0][0]).isdigit() and int(told[0][0]) > there:
        entries.wrong.add(
            f"Entries up to number {told[0][0]} were published, and {there} is the last that is there; {FROM_COPY} "
            "before anything else: what publishes without them drops what people found."
        )


def _last_entry(store: Path) -> int | None:
    """Number of the last entry that is published; None where they cannot be read, which the check of entries tells."""
    try:
        return max((entry.entry_id for entry in entered_rows(store, MERGED_KINDS)), default=0)
    except (StoreError, ValueError):
        return None
