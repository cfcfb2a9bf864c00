"""Who had gone silent by the end of a month: table ``month_silence`` of its report.

By the rule of ``recording_facts``, from nothing but the days recorded up to then: a vehicle that is silent today may
have recorded all through an older month, and the other way round.
"""

from pathlib import Path
from typing import Final

import pyarrow as pa

from fleetbrake.core.record_criteria import DEFAULT_RECORDS
from fleetbrake.reports.monthly.month_data import Period
from fleetbrake.reports.monthly.month_rates import as_table
from fleetbrake.reports.source import frame

#: Thresholds of ``recording_facts`` in the order in which the query takes them.
_RULES: Final = (
    "rhythm_gaps", "rhythm_least_gaps", "rhythm_share", "silent_least_days", "silent_usual_gaps",
    "silent_no_rhythm_days",
)  # fmt: skip
_SQL: Final = """
WITH rules AS (
    SELECT ? AS gaps, ? AS least_gaps, ? AS share, ? AS least_days, ? AS usual_gaps, ? AS no_rhythm_days
),
told AS (SELECT least(max(newest_on), CAST(? AS DATE)) AS told_on FROM recording_facts),
days AS (
    SELECT DISTINCT vehicle_id, CAST(started_at AT TIME ZONE 'UTC' AS DATE) AS on_day
    FROM events, told
    WHERE vehicle_id IS NOT NULL AND on_day <= told_on
),
gaps AS (
    SELECT vehicle_id, on_day, on_day - lag(on_day) OVER by_day AS gap,
           row_number() OVER (PARTITION BY vehicle_id ORDER BY on_day DESC) AS from_last
    FROM days
    WINDOW by_day AS (PARTITION BY vehicle_id ORDER BY on_day)
),
rhythms AS (
    SELECT vehicle_id, max(on_day) AS last_on,
           CASE WHEN count(gap) >= any_value(r.least_gaps)
               THEN list_sort(list(gap) FILTER (WHERE gap > 0 AND from_last <= r.gaps)) END AS usual
    FROM gaps
    CROSS JOIN rules AS r
    GROUP BY vehicle_id
),
usual AS (
    SELECT h.vehicle_id, h.last_on, h.usual[CAST(ceil(r.share * len(h.usual)) AS BIGINT)] AS usual_gap_days
    FROM rhythms AS h
    CROSS JOIN rules AS r
),
lasting AS (
    SELECT f.vehicle_id, f.depot, f.category, t.told_on, u.last_on, t.told_on - u.last_on AS days_silent,
           CAST(CASE
               WHEN u.usual_gap_days IS NOT NULL THEN greatest(r.least_days, r.usual_gaps * u.usual_gap_days)
               WHEN u.last_on IS NOT NULL THEN r.no_rhythm_days
           END AS BIGINT) AS silent_from_days
    FROM recording_facts AS f
    CROSS JOIN told AS t
    CROSS JOIN rules AS r
    LEFT JOIN usual AS u USING (vehicle_id)
)
SELECT *, days_silent > silent_from_days AS silent FROM lasting ORDER BY vehicle_id
"""


def month_silence(store: Path, of: Period) -> pa.Table:
    """Table ``month_silence``: a row a vehicle of the register or of an event, by id; days in UTC."""
    of_rules = [getattr(DEFAULT_RECORDS, name) for name in _RULES]
    return as_table("month_silence", frame(store, _SQL, [*of_rules, of.last_day]))
