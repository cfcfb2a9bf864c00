"""What the registers say of one vehicle at this moment: as published, with what was entered since."""

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import duckdb

from fleetbrake.store.entered import entries
from fleetbrake.store.findings import WRITTEN_KINDS, merge_written
from fleetbrake.store.fresh import NO_EXTENSIONS
from fleetbrake.store.schema import replace_table
from fleetbrake.store.shut import shut

_REGISTERS = ("vehicles", "inspections", "brake_tests", "repairs", "defect_reports")
_ANY = """
select
    exists (select 1 from inspections where vehicle_id = $vehicle)
    or exists (select 1 from brake_tests where vehicle_id = $vehicle)
    or exists (select 1 from defect_reports where vehicle_id = $vehicle)
"""


@contextmanager
def registers_now(
    con: duckdb.DuckDBPyConnection, store: Path, vehicle_id: str
) -> Iterator[duckdb.DuckDBPyConnection | None]:
    """A database in memory with the vehicle's rows of the registers that tell what is open on it, and no events.

    ``con`` reads the published registers. None where nobody has inspected, tested or reported anything.
    """
    said = entries(store, WRITTEN_KINDS, vehicle_id)
    ((published,),) = con.execute(_ANY, {"vehicle": vehicle_id}).fetchall()
    if not said and not published:
        yield None
        return
    with closing(duckdb.connect(":memory:", config=dict(NO_EXTENSIONS))) as own:
        own.execute("set timezone = 'UTC'")
        shut(own)
        own.execute("create table events (vehicle_id varchar, started_at timestamptz)")
        for name in _REGISTERS:
            sql = f"select * from {name} where vehicle_id = ?"  # noqa: S608 - own names
            replace_table(own, name, con.sql(sql, params=[vehicle_id]).to_arrow_table())
        merge_written(own, said)
        yield own
