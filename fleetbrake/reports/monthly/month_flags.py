"""How old the flags are that stood at the end of a month: table ``open_flags`` of its report."""

from datetime import date
from pathlib import Path

import pandas as pd
import pyarrow as pa

from fleetbrake.reports.monthly.month_data import Period, month_scored
from fleetbrake.reports.monthly.month_rates import as_table
from fleetbrake.reports.source import frame

#: A sign is told by the scores from the day that raised the flag to the one on which it is told: the first day that any
#: of them names, of the wheel named or else of the indicator.
_SQL = """
WITH told AS (SELECT CAST(? AS DATE) AS on_day),
standing AS (
    SELECT f.*, told.on_day FROM flags AS f, told
    WHERE f.raised_on <= told.on_day AND (f.closed_on IS NULL OR f.closed_on > told.on_day)
),
shown AS (
    SELECT vehicle_id, as_of, indicator, wheel, first_seen_on AS since_on FROM indicators
    UNION ALL
    SELECT vehicle_id, as_of, 'open_report', NULL, open_since FROM vehicle_health
),
since AS (
    SELECT s.flag_id,
           coalesce(min(i.since_on) FILTER (i.wheel IS NOT DISTINCT FROM s.wheel), min(i.since_on)) AS since_on
    FROM standing AS s
    JOIN shown AS i ON i.vehicle_id = s.vehicle_id AND i.indicator = s.indicator
        AND i.as_of >= s.raised_on AND i.as_of <= s.on_day
    GROUP BY s.flag_id
),
first_scored AS (SELECT min(as_of) AS on_day FROM vehicle_health)
SELECT s.flag_id, s.vehicle_id, v.depot, s.indicator, s.wheel, s.raised_on, n.since_on AS shown_since,
       date_diff('day', s.raised_on, s.on_day) AS age_days, first_scored.on_day AS first_scored_on, s.on_day AS told_on,
       s.priority, s.state, s.decision, s.decided_by, s.expires_on
FROM standing AS s
CROSS JOIN first_scored
LEFT JOIN since AS n ON n.flag_id = s.flag_id
LEFT JOIN (SELECT vehicle_id, min(depot) AS depot FROM vehicles GROUP BY vehicle_id) AS v ON v.vehicle_id = s.vehicle_id
ORDER BY s.raised_on, n.since_on NULLS LAST, s.vehicle_id, s.indicator, s.wheel NULLS FIRST, s.flag_id
"""


def open_flags(store: Path, of: Period) -> pa.Table:
    """Table ``open_flags``: the flags that stood on the day of :func:`told_on`, oldest first.

    A flag is as old as the scores that raised it, and no older than the first of them: ``shown_since`` says since when
    recordings or people show what it is about.
    """
    return as_table("open_flags", frame(store, _SQL, [told_on(store, of)]))


def told_on(store: Path, of: Period) -> date:
    """Day on which ages are told: the month's last, or the newest day scored in it where none was scored later."""
    in_month = month_scored(store, of.month)
    newest = frame(store, "SELECT max(as_of) AS as_of FROM vehicle_health")["as_of"].iloc[0]
    if in_month is None or pd.isna(newest) or pd.Timestamp(newest).date() > in_month:
        return of.last_day
    return in_month
