"""What the recordings say of every vehicle on a given day: staging, observations, findings, probabilities."""

from datetime import date

import duckdb
import pandas as pd

from fleetbrake.scoring import models
from fleetbrake.scoring.discoveries import discoveries
from fleetbrake.scoring.priors import Priors

#: What may explain a level besides the vehicle, in the order in which it is taken out: what all share comes first.
FACTORS = ("week", "condition", "stood", "area", "driver")


def evaluate(con: duckdb.DuckDBPyConnection, day: date, priors: Priors, known_on: date | None = None) -> None:
    """Build the temporary tables up to ``int_vehicle_scores`` from what was known at the end of ``day`` (UTC).

    With a later ``known_on`` inspections, tests, repairs and reports up to that day count as well.

    Leaves the parameter tables and models in the connection's temporary schema, in place of those of an earlier day.
    Raises ``StoreError`` if a model fails.
    """
    models.drop_temporary(con)
    models.load_parameters(con, day, priors, known_on)
    con.execute("set preserve_insertion_order = false")  # no model here has an order, and keeping one takes memory
    try:
        models.build(con, models.OBSERVED, free=True)
        _take_out(con)
        models.build(con, models.FINDINGS, free=True)
        models.give(con, "discoveries", discoveries(con))
        models.build(con, models.PROBABILITIES, free=True)
    finally:
        con.execute("reset preserve_insertion_order")


def _take_out(con: duckdb.DuckDBPyConnection) -> None:
    """Make ``level_steps`` of ``int_level_steps``: levels less what season, weather, stand, place, driver explain."""
    con.execute("alter table temp.int_level_steps rename to level_steps")
    for factor in FACTORS:
        models.give(con, "factor", pd.DataFrame({"name": [factor]}))
        models.build(con, ("int_level_effect",))
        con.execute("drop table temp.level_steps")
        con.execute("alter table temp.int_level_effect rename to level_steps")
        con.execute("drop table temp.factor")
