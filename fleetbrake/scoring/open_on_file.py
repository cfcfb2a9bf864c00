"""Which vehicles have something open on file and which brake tests failed, by the models that the scores use."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date

import duckdb

from fleetbrake.scoring import models
from fleetbrake.scoring.priors import DEFAULT
from fleetbrake.store.ageing.retention_records import OnFile

_MODELS = ("stg_vehicles", "stg_inspections", "stg_brake_tests", "int_open_findings")


@contextmanager
def open_findings(con: duckdb.DuckDBPyConnection, as_of: date, today: date) -> Iterator[None]:
    """``int_open_findings``, and what it is made of, as temporary tables inside the block: what was written up to
    ``today`` (``as_of``: the day of the scores)."""
    models.drop_temporary(con)
    try:
        models.load_parameters(con, as_of, DEFAULT, today)
        models.build(con, _MODELS)
        yield
    finally:
        models.drop_temporary(con)


def open_on_file(con: duckdb.DuckDBPyConnection, today: date) -> OnFile:
    """What is open and what failed of what was written up to ``today``.

    ``con`` has the registers with what was entered merged in; its temporary models are made and dropped again.
    """
    with open_findings(con, today, today):
        vehicles = con.execute("select distinct vehicle_id from int_open_findings").fetchall()
        failed = con.execute(
            "select distinct vehicle_id, tested_on from stg_brake_tests where verdict = 'failed'"
        ).fetchall()
    return OnFile(frozenset(row[0] for row in vehicles), frozenset((row[0], row[1]) for row in failed))
