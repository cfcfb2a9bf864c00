"""Vehicles that somebody must look at: table ``to_inspect`` of a month's report, which all its forms list."""

from typing import Final

import pandas as pd
import pyarrow as pa

from fleetbrake.reports import reads
from fleetbrake.reports.monthly.month_rates import as_table
from fleetbrake.reports.source import nullable_frame

#: What the list takes of the current plan; its sentences are left out, since people's reports stand in them.
OF_PLAN: Final = ("planned_on", "held_on", "statutory", "due_on", "drawn")


def health_and_plan(health: pa.Table, plan: pd.DataFrame) -> pd.DataFrame:
    """Rows of ``vehicle_health`` by rank with what the current plan has of the vehicle: :data:`OF_PLAN`."""
    visits = plan[["vehicle_id", *OF_PLAN]].drop_duplicates("vehicle_id")
    rows = nullable_frame(health).merge(visits, on="vehicle_id", how="left")
    return rows.sort_values("rank", kind="stable", ignore_index=True)


def to_inspect(health: pa.Table, plan: pd.DataFrame) -> pa.Table:
    """Table ``to_inspect``, by rank: flagged, past their date, in the current plan or with an open report.

    ``plan`` is the plan whole, as :func:`fleetbrake.reports.reads.plan` has it: its days mostly lie in the next month.
    """
    rows = health_and_plan(health, plan)
    told = rows.to_dict("records")
    rows = rows.assign(reason=[reads.reason_of(row) for row in told], overdue=[reads.overdue(row) for row in told])
    return as_table("to_inspect", rows[[reads.needs_a_look(row) for row in told]] if told else rows)
