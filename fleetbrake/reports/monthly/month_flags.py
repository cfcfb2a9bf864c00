"""How old the flags are that stood at the end of a month: table ``open_flags`` of its report."""

from datetime import date
from pathlib import Path

import pandas as pd
import pyarrow as pa

from fleetbrake.reports.monthly.month_data import Period, month_scored
from fleetbrake.reports.monthly.month_rates import as_table
from fleetbrake.reports.source import frame

_SQL = """
SELECT f.flag_id, f.vehicle_id, v.depot, f.indicator, f.wheel, f.raised_on,
       date_diff('day', f.raised_on, CAST(? AS DATE)) AS age_days, CAST(? AS DATE) AS told_on,
       f.priority, f.state, f.decision, f.decided_by, f.expires_on
FROM flags AS f
LEFT JOIN (SELECT vehicle_id, min(depot) AS depot FROM vehicles GROUP BY vehicle_id) AS v USING (vehicle_id)
WHERE f.raised_on <= ? AND (f.closed_on IS NULL OR f.closed_on > ?)
ORDER BY f.raised_on, f.vehicle_id, f.indicator, f.wheel NULLS FIRST, f.flag_id
"""


def open_flags(store: Path, of: Period) -> pa.Table:
    """Table ``open_flags``: the flags that stood on the day of :func:`told_on`, oldest first."""
    day = told_on(store, of)
    return as_table("open_flags", frame(store, _SQL, [day, day, day, day]))


def told_on(store: Path, of: Period) -> date:
    """Day on which ages are told: the month's last, or the newest day scored in it where none was scored later."""
    in_month = month_scored(store, of.month)
    newest = frame(store, "SELECT max(as_of) AS as_of FROM vehicle_health")["as_of"].iloc[0]
    if in_month is None or pd.isna(newest) or pd.Timestamp(newest).date() > in_month:
        return of.last_day
    return in_month
