"""Typed reads for the planner's work: the list with the plan beside it. They plan nothing anew."""

from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from fleetbrake.reports import reads
from fleetbrake.reports.source import frame

#: Outside the days of the plan: an inspection comes before the vehicle goes out again.
OUTSIDE = "before_next_trip"

#: Of the finding that leads, the application that departs furthest from what is expected: the most telling event of
#: the trip furthest out, among the trips that count; the newest of them where several are as far.
_TELLING = """
WITH leads AS (
    SELECT i.vehicle_id, i.as_of, i.indicator, i.wheel, sign(i.value - i.expected) AS worse,
           json_extract_string(i.evidence, '$[0]') AS newest
    FROM indicators AS i
    JOIN vehicle_health AS h ON h.vehicle_id = i.vehicle_id AND h.as_of = i.as_of
     AND h.leading_indicator = i.indicator AND h.suspect_wheel IS NOT DISTINCT FROM i.wheel
    WHERE i.as_of = (SELECT max(as_of) FROM vehicle_health)
),
furthest AS (
    SELECT t.vehicle_id, t.event_id
    FROM indicator_trips AS t
    JOIN leads AS l ON l.vehicle_id = t.vehicle_id AND l.as_of = t.as_of AND l.indicator = t.indicator
     AND l.wheel IS NOT DISTINCT FROM t.wheel
    WHERE t.counts AND t.event_id IS NOT NULL
    QUALIFY row_number() OVER (
        PARTITION BY t.vehicle_id ORDER BY l.worse * t.value DESC NULLS LAST, t.on_day DESC, t.event_id) = 1
)
SELECT l.vehicle_id, coalesce(f.event_id, l.newest) AS telling_event
FROM leads AS l LEFT JOIN furthest AS f USING (vehicle_id)
WHERE coalesce(f.event_id, l.newest) IS NOT NULL
QUALIFY row_number() OVER (PARTITION BY l.vehicle_id ORDER BY telling_event) = 1
"""


def work_list(store: Path) -> pd.DataFrame:
    """As :func:`fleetbrake.reports.reads.ranked`, with what the plan says of each vehicle and where to look first.

    Columns added: held_on, bay_hours, plan_wheel, statutory, fixed, drawn (bool), telling_event (event id, may be NA).
    """
    listed = reads.ranked(store)
    columns = "vehicle_id, held_on, bay_hours, wheel, statutory, fixed, drawn"
    planned = frame(store, f"SELECT {columns} FROM inspection_plan ORDER BY vehicle_id, planned_on")  # noqa: S608 - own names
    planned = planned.drop_duplicates("vehicle_id").rename(columns={"wheel": "plan_wheel"})
    listed = listed.merge(planned, on="vehicle_id", how="left", validate="many_to_one")
    listed = listed.merge(frame(store, _TELLING), on="vehicle_id", how="left", validate="many_to_one")
    return listed.sort_values("rank", kind="stable").reset_index(drop=True)


def not_kept(planned: pd.DataFrame) -> pd.DataFrame:
    """Visits with a statutory date that cannot be kept. ``planned`` as ``plan_told(...).visits``.

    What was overdue before the plan began is told where it has no day; where it has one, the list names it overdue.
    """
    return planned[planned["date_lost"].notna() & (planned["priority"] != OUTSIDE)]


def open_days(plan_days: pd.DataFrame, depot: object) -> list[date]:
    """Days of the plan on which the depot has bay hours at all. ``plan_days`` as ``plan_told(...).days``."""
    own = plan_days[plan_days["depot"] == depot] if isinstance(depot, str) else plan_days[plan_days["depot"].isna()]
    return list(own.loc[own["bay_hours"] > 0, "day"])


def visit_words(row: dict[Any, Any]) -> str:
    """A visit in a few words: hours, what is statutory, whether it was fixed or drawn."""
    parts = [f"{row['bay_hours']:g} h"] if pd.notna(row["bay_hours"]) else []
    if pd.notna(row.get("roller_hours")) and row["roller_hours"] > 0:
        parts.append("roller tester")
    if isinstance(row.get("statutory"), str) and row["statutory"]:
        parts.append("statutory")
    if is_true(row.get("fixed")):
        parts.append("date fixed")
    if is_true(row.get("drawn")):
        parts.append("drawn by lot")
    return ", ".join(parts)


def is_true(value: object) -> bool:
    """Whether a truth value is known and true."""
    return bool(pd.notna(value) and value)  # type: ignore[call-overload]
