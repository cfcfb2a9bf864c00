"""The registers into the published file, and what they say now that they did not say when it was published last."""

from pathlib import Path

import duckdb

from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.files import sha256_of
from fleetbrake.store.findings import merged_registers
from fleetbrake.store.forgetting.at_rest import AtRest
from fleetbrake.store.lost import refuse_lost_registers
from fleetbrake.store.publishing.changes import USED_OF_VEHICLES
from fleetbrake.store.registers import read_register, register_path
from fleetbrake.store.schema import replace_table

#: What people enter joins these, so that they are made of their file each time.
_ENTERED_INTO = frozenset({"vehicles", "inspections", "repairs", "defect_reports", "due_dates"})


def take_registers(
    con: duckdb.DuckDBPyConnection,
    store: Path,
    rest: AtRest,
    known: dict[str, str],
    *,
    anew: bool,
    up_to: int | None = None,
) -> dict[str, str]:
    """Publish the registers and make ``pub_vehicles`` and ``pub_trips``; fingerprints of their files.

    ``pub_vehicles``: vehicles of which something that events follow from is another; ``pub_trips``: trips that are new,
    gone or changed. ``known``: fingerprints of then; a register whose file is the same is left alone. ``anew``: all is
    published, and both are empty. ``up_to``: what people entered counts up to this entry. StoreError where what was
    published is gone.
    """
    refuse_lost_registers(con, store)
    used = f"SELECT {', '.join(USED_OF_VEHICLES)} FROM vehicles"  # noqa: S608 - own names
    con.execute(f"CREATE TEMP TABLE pub_vehicles_before AS {used}")
    con.execute("CREATE TEMP TABLE pub_trips AS SELECT vehicle_id, started_at FROM trips WHERE false")
    prints: dict[str, str] = {}
    for name in REGISTERS:
        path = register_path(store, name)
        prints[name] = sha256_of(path) if path.is_file() else ""
        if name not in _ENTERED_INTO and prints[name] == known.get(name):
            continue
        if name == "trips" and not anew:
            con.execute("CREATE TEMP TABLE pub_trips_before AS SELECT * FROM trips")
        replace_table(con, name, rest.register(name, read_register(store, name)))
        if name == "trips" and not anew:
            con.execute(f"INSERT INTO pub_trips {_between('pub_trips_before', 'SELECT * FROM trips')}")  # noqa: S608 - own names
    merged_registers(con, store, up_to)
    changed = (
        _between("pub_vehicles_before", used) if not anew else "SELECT vehicle_id FROM pub_vehicles_before LIMIT 0"
    )
    con.execute(f"CREATE TEMP TABLE pub_vehicles AS SELECT DISTINCT vehicle_id FROM ({changed})")  # noqa: S608 - own names
    return prints


def _between(before: str, now: str) -> str:
    """SQL of the rows that one has and the other has not."""
    named = "vehicle_id" if before == "pub_vehicles_before" else "vehicle_id, started_at"
    return (
        f"SELECT {named} FROM (FROM {before} EXCEPT ({now})) "  # noqa: S608 - own names
        f"UNION ALL SELECT {named} FROM (({now}) EXCEPT FROM {before})"
    )
