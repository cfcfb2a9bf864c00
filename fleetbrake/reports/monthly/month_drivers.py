"""Drivers of a month: what each did in it, beside the span that the month's scores look back over.

Table ``month_drivers`` of a month's report. A score rests on up to a year; what happened in the month stands here.
"""

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import pyarrow as pa

from fleetbrake.core.record_criteria import DEFAULT_RECORDS
from fleetbrake.reports.monthly.month_data import Period, month_scored
from fleetbrake.reports.monthly.month_rates import as_table
from fleetbrake.reports.source import frame
from fleetbrake.scoring.priors import DEFAULT as PRIORS

#: Hard stops count as for the scores: those of brake applications that the driver asked for, a source not recorded
#: taken as the driver. A trip counts in the month in which it began; one inside another trip of the vehicle was told
#: twice (as in ``month_work``). A trip has kilometres from 0 to a most.
_SQL: Final = """
WITH mine AS (
    SELECT *, coalesce(brake_source, 'unknown') IN ('driver', 'unknown') AS by_driver
    FROM events
    WHERE driver_id IS NOT NULL AND not_braking IS NULL AND started_at IS NOT NULL
),
braked AS (
    SELECT driver_id, count(*) AS applications,
           count_if(hard_stop AND by_driver) AS hard_stops, count_if(hard_stop IS NULL AND by_driver) AS unseen
    FROM mine
    WHERE started_at >= ? AND started_at < ?
    GROUP BY driver_id
),
possible AS (
    SELECT driver_id, trip_id, started_at, distance_km
    FROM trips
    WHERE isfinite(distance_km) AND distance_km > 0 AND distance_km <= ?
    WINDOW before AS (
        PARTITION BY vehicle_id, CASE WHEN vehicle_id IS NULL THEN driver_id END
        ORDER BY started_at, ended_at DESC, distance_km DESC, trip_id
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
    )
    QUALIFY coalesce(ended_at > max(ended_at) OVER before, true)
),
driven AS (
    SELECT driver_id, sum(distance_km ORDER BY trip_id) AS distance_km
    FROM possible
    WHERE driver_id IS NOT NULL AND started_at >= ? AND started_at < ?
    GROUP BY driver_id
),
looked_back AS (
    SELECT driver_id, min(CAST(started_at AS DATE)) AS evidence_from, max(CAST(started_at AS DATE)) AS evidence_to
    FROM mine
    WHERE started_at >= CAST(? AS DATE) AND started_at < CAST(? AS DATE)
    GROUP BY driver_id
),
named AS (SELECT driver_id FROM braked UNION SELECT driver_id FROM driven UNION SELECT driver_id FROM looked_back)
SELECT n.driver_id, coalesce(b.applications, 0) AS applications, coalesce(b.hard_stops, 0) AS hard_stops,
       coalesce(b.unseen, 0) AS hard_stops_not_observed, round(d.distance_km, 3) AS distance_km,
       l.evidence_from, l.evidence_to
FROM named AS n
LEFT JOIN braked AS b USING (driver_id)
LEFT JOIN driven AS d USING (driver_id)
LEFT JOIN looked_back AS l USING (driver_id)
ORDER BY n.driver_id
"""


def month_drivers(store: Path, of: Period, alias: Callable[[str], str] | None) -> pa.Table:
    """Table ``month_drivers``: a row a driver with applications or trips in the month, or behind its scores.

    In the order of the ids as they are told: under aliases, where ``alias`` is given, that of the aliases.
    """
    since, until = _span(month_scored(store, of.month))
    asked = [of.start, of.stop, DEFAULT_RECORDS.trip_most_km, of.start, of.stop, since, until]
    rows = frame(store, _SQL, asked)
    if alias is not None:
        rows["driver_id"] = [alias(str(driver)) for driver in rows["driver_id"]]
    return as_table("month_drivers", rows.sort_values("driver_id", ignore_index=True))


def _span(scored: date | None) -> tuple[date | None, date | None]:
    """First day that scores of a day look back to, and the day after the last; None where nothing was scored."""
    if scored is None:
        return None, None
    until = scored + timedelta(days=1)
    return until - min(timedelta(days=PRIORS.lookback_days), until - date.min), until
