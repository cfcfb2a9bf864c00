"""Which vehicles have something open on file and which brake tests failed, by the models that the scores use."""

from datetime import date

import duckdb

from fleetbrake.scoring import models
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.store.ageing.retention_records import OnFile

_MODELS = ("stg_vehicles", "stg_inspections", "stg_brake_tests", "int_open_findings")


def open_on_file(con: duckdb.DuckDBPyConnection, today: date) -> OnFile:
    """What is open and what failed of what was written up to ``today``.

    ``con`` has the registers with what was entered merged in; its temporary models are made and dropped again.
    """
    models.drop_temporary(con)
    try:
        models.load_parameters(con, today, DEFAULT, today)
        models.build(con, _MODELS)
        vehicles = con.execute("select distinct vehicle_id from int_open_findings").fetchall()
        failed = con.execute(
            "select distinct vehicle_id, tested_on from stg_brake_tests where verdict = 'failed'"
        ).fetchall()
    finally:
        models.drop_temporary(con)
    return OnFile(frozenset(row[0] for row in vehicles), frozenset((row[0], row[1]) for row in failed))
