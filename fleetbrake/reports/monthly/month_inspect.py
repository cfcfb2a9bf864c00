"""Vehicles that somebody must look at: table ``to_inspect`` of a month's report, which all its forms list."""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Final

import pandas as pd
import pyarrow as pa

from fleetbrake.reports import reads
from fleetbrake.reports.monthly.month_rates import as_table
from fleetbrake.reports.source import SCORED_DAYS, frame, nullable_frame

#: What the list takes of the current plan; its sentences are left out, since people's reports stand in them.
OF_PLAN: Final = ("planned_on", "held_on", "statutory", "due_on", "drawn")


#: A date that was met since is later in the register: the newest scores go by it, those of a month gone by do not.
_DATES: Final = f"""
SELECT h.vehicle_id, least(
    CASE WHEN h.as_of = (SELECT max(as_of) FROM ({SCORED_DAYS}) AS scored)
        THEN coalesce(v.inspection_due_on, h.inspection_due_on)
        ELSE coalesce(h.inspection_due_on, v.inspection_due_on)
    END,
    d.due_on) AS due_on
FROM vehicle_health AS h
LEFT JOIN vehicles AS v USING (vehicle_id)
LEFT JOIN (SELECT vehicle_id, min(due_on) AS due_on FROM due_dates GROUP BY vehicle_id) AS d USING (vehicle_id)
WHERE h.as_of = ?
"""  # noqa: S608 - own constants


def statutory_dates(store: Path, as_of: date | None) -> dict[str, date]:
    """The earliest statutory date of each vehicle scored on that day, of whatever kind; as the pages show it."""
    found = frame(store, _DATES, [as_of])
    return {str(row["vehicle_id"]): row["due_on"] for row in found.to_dict("records") if pd.notna(row["due_on"])}


def health_and_plan(health: pa.Table, plan: pd.DataFrame, dates: Mapping[str, date]) -> pd.DataFrame:
    """Rows of ``vehicle_health`` by rank with what the current plan has of the vehicle (:data:`OF_PLAN`) and its
    earliest statutory date, see :func:`statutory_dates`; without one there that of the row."""
    visits = plan[["vehicle_id", *OF_PLAN]].drop_duplicates("vehicle_id")
    rows = nullable_frame(health).merge(visits, on="vehicle_id", how="left")
    own = rows["inspection_due_on"].astype(object)
    due = [dates.get(str(vehicle), day) for vehicle, day in zip(rows["vehicle_id"], own, strict=True)]
    rows["inspection_due_on"] = pd.Series(due, index=rows.index, dtype=object)
    return rows.sort_values("rank", kind="stable", ignore_index=True)


def to_inspect(health: pa.Table, plan: pd.DataFrame, dates: Mapping[str, date]) -> pa.Table:
    """Table ``to_inspect``, by rank: flagged, past their date, in the current plan or with an open report.

    ``plan`` is the plan whole, as :func:`fleetbrake.reports.reads.plan` has it: its days mostly lie in the next month.
    """
    rows = health_and_plan(health, plan, dates)
    told = rows.to_dict("records")
    rows = rows.assign(reason=[reads.reason_of(row) for row in told], overdue=[reads.overdue(row) for row in told])
    return as_table("to_inspect", rows[[reads.needs_a_look(row) for row in told]] if told else rows)
