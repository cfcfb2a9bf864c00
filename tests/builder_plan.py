"""Rows of the plan, its days and the flags, and what was entered of them, for built stores."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from fleetbrake.planning.flags import publish_flags
from fleetbrake.store.entered import enter
from fleetbrake.store.entered_rows import FlagRaised

#: Bay hours of an open day.
HOURS = 8.0


def plan(health: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """Visits of what is flagged: two a day from the day after; before the next trip only hours are kept free."""
    flagged = health[health.priority.isin(["before_next_trip", "this_week", "next_service"])].to_dict("records")
    return pd.DataFrame([_visit(i, vehicle, as_of) for i, vehicle in enumerate(flagged)])


def _visit(i: int, vehicle: dict[str, Any], as_of: date) -> dict[str, Any]:
    outside = vehicle["priority"] == "before_next_trip"
    day = as_of + timedelta(days=1 + i // 2)
    overdue = vehicle["inspection_due_on"] <= as_of
    return {
        "planned_on": None if outside else day,
        "depot": vehicle["depot"],
        "vehicle_id": vehicle["vehicle_id"],
        "position": None if outside else i % 2 + 1,
        "reason": vehicle["reason"],
        "due_on": vehicle["inspection_due_on"],
        "bay_hours": 2.0,
        "roller_hours": 0.5,
        "inspector_hours": 2.0,
        "priority": vehicle["priority"],
        "indicator": vehicle["leading_indicator"],
        "wheel": vehicle["suspect_wheel"],
        "evidence": "[]",
        "statutory": "periodic" if overdue else None,
        "held_on": day if outside else None,
        "fixed": False,
        "drawn": False,
        "defect_probability": 1.0 - vehicle["health_score"] / 100.0,
        "days_saved": 0.0 if outside else 20.0,
        "note": "overdue" if overdue else None,
    }


def plan_days(visits: pd.DataFrame, depots: tuple[str, ...], as_of: date, vehicles: int) -> pd.DataFrame:
    """Fourteen days of each depot, weekends closed, the second depot's capacity assumed."""
    rows = []
    for number, depot in enumerate(depots):
        for ahead in range(1, 15):
            day = as_of + timedelta(days=ahead)
            own = visits[visits["depot"] == depot]
            closed = day.weekday() >= 5
            rows.append(
                {
                    "depot": depot,
                    "day": day,
                    "basis": "closed" if closed else ("assumed" if number else "weekday"),
                    "bay_hours": 0.0 if closed else HOURS,
                    "booked_hours": float(own.loc[own["planned_on"] == day, "bay_hours"].sum()),
                    "held_hours": float(own.loc[own["held_on"] == day, "bay_hours"].sum()),
                    "roller_hours": None if number else 4.0,
                    "roller_booked_hours": 0.5,
                    "inspector_hours": None,
                    "inspector_booked_hours": 2.0,
                    "visits": int((own["planned_on"] == day).sum()),
                    "vehicles": vehicles // 2,
                    "min_on_road": None if number else 3,
                }
            )
    return pd.DataFrame(rows)


def plan_summary(visits: pd.DataFrame, depots: tuple[str, ...], as_of: date) -> pd.DataFrame:
    """One row a depot: the first proven best, the second with a gap."""
    rows = []
    for number, depot in enumerate(depots):
        rows.append(
            {
                "depot": depot,
                "as_of": as_of,
                "begins_on": as_of + timedelta(days=1),
                "ends_on": as_of + timedelta(days=14),
                "visits": int((visits["planned_on"].notna() & (visits["depot"] == depot)).sum()),
                "dates_not_kept": 0,
                "defect_days": 12.0,
                "gain": 10.0,
                "gain_bound": 10.0 + 0.4 * number,
                "gap": 0.04 * number,
                "plain_gain": 8.0,
                "note": None,
            }
        )
    return pd.DataFrame(rows)


def raise_and_publish(con: duckdb.DuckDBPyConnection, store: Path, visits: pd.DataFrame, as_of: date) -> None:
    """A flag for every planned vehicle, entered as scores do, and the table made from it."""
    moment = datetime(as_of.year, as_of.month, as_of.day, 3, tzinfo=UTC)
    for visit in visits.to_dict("records"):
        wheel = visit["wheel"] if isinstance(visit["wheel"], str) else None
        body = FlagRaised(indicator=visit["indicator"], wheel=wheel, raised_on=as_of, priority=visit["priority"])
        enter(store, "scores", visit["vehicle_id"], body, made_at=moment)
    publish_flags(con, store, as_of)
