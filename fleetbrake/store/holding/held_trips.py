"""The trips that say what a hold touches, also while their register is gone and comes in again."""

from pathlib import Path

import pyarrow as pa

from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.arrow import arrow_schema, in_schema
from fleetbrake.store.database import database_path, reading
from fleetbrake.store.registers import read_register, register_path


def trips_for_holds(store: Path, arriving: pa.Table | None = None) -> pa.Table:
    """The register of trips; where its file is gone and trips arrive, these and the published ones.

    A trip may stand in both, which holds it as well as one. Raises ``StoreError`` where the register cannot be read, or
    is gone and none arrive.
    """
    if arriving is None or register_path(store, "trips").is_file():
        return read_register(store, "trips")
    schema = arrow_schema(dict(REGISTERS["trips"]))
    rows = [in_schema(arriving, schema, "register trips")]
    if database_path(store).is_file():
        with reading(store) as con:
            rows.append(in_schema(con.sql("SELECT * FROM trips").to_arrow_table(), schema, "register trips"))
    return pa.concat_tables(rows)
