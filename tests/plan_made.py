"""A small plan as it stands in the tables: one row of every kind that a planner must be told of, with odd ids."""

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from fleetbrake.store.database import rebuilding, replace_table

AS_OF = date(2026, 3, 8)
BEGINS = AS_OF + timedelta(days=1)
DEPOTS = ("North", "South, yard; 2")

#: Ids that try to leave their line, their cell, their field, their direction, or the page.
ODD_IDS = (
    "BUS-1",
    '=HYPERLINK("http://example.org";"x")',
    "two\nlines\r\nthree",
    "a;b,c\\d\\n",
    "-2+3",
    "עגלה \u202eabc",
    "\U0001f69a lorry\ttab",
    "\x00\x07bell\x7f",
    "L" * 10_000,
    "+1",
    "@two",
    "'=three",
)


def _visit(number: int, vehicle: str, **values: Any) -> dict[str, Any]:
    row = {
        "planned_on": BEGINS + timedelta(days=number % 3),
        "depot": DEPOTS[number % 2],
        "vehicle_id": vehicle,
        "position": 1 + number,
        "reason": f"Look at axle 1 left: less slip than its partner; id {vehicle}",
        "due_on": None,
        "bay_hours": 1.5,
        "roller_hours": 0.5,
        "inspector_hours": 1.0,
        "priority": "this_week",
        "indicator": "side_imbalance",
        "wheel": "1L",
        "evidence": '["e1", "e2"]',
        "statutory": None,
        "date_lost": None,
        "held_on": None,
        "fixed": False,
        "drawn": False,
        "defect_probability": 0.75,
        "days_saved": 30.0,
        "note": None,
    }
    return row | values


def visits(ids: Sequence[str] = ODD_IDS) -> list[dict[str, Any]]:
    """The first goes nowhere before it is inspected, the second cannot keep its date, the third is statutory only."""
    rows = [_visit(number, vehicle) for number, vehicle in enumerate(ids)]
    nowhere = {"planned_on": None, "position": None}
    held = {"priority": "before_next_trip", "held_on": BEGINS + timedelta(days=1)}
    rows[0] |= nowhere | held | {"note": "must not go on the road before a qualified inspector decides"}
    late = {"due_on": BEGINS + timedelta(days=4), "statutory": "main", "priority": "no_sign", "indicator": None}
    rows[1] |= (
        nowhere
        | late
        | {
            "wheel": None,
            "date_lost": BEGINS + timedelta(days=4),
            "note": "date cannot be kept: closed every day up to it",
        }
    )
    rows[2] |= {"statutory": "main+roller", "due_on": BEGINS + timedelta(days=9), "indicator": None, "wheel": None}
    rows[3] |= {"fixed": True, "note": "fixed by a planner"}
    return rows


def _days() -> list[dict[str, Any]]:
    return [
        {
            "depot": depot,
            "day": BEGINS + timedelta(days=n),
            "basis": "closed" if n % 7 in (5, 6) else "weekday",
            "bay_hours": 0.0 if n % 7 in (5, 6) else 8.0,
            "booked_hours": 3.0 if n == 0 else 0.0,
            "held_hours": 1.5 if n == 1 and depot == "North" else 0.0,
            "roller_hours": 4.0 if depot == "North" else None,
            "roller_booked_hours": 1.0 if depot == "North" and n == 0 else None,
            "visits": 2 if n == 0 else 0,
            "vehicles": 40,
        }
        for depot in DEPOTS
        for n in range(14)
    ]


def _summary() -> list[dict[str, Any]]:
    shared = {"as_of": AS_OF, "begins_on": BEGINS, "ends_on": BEGINS + timedelta(days=13)}
    north = {"visits": 5, "dates_not_kept": 0, "defect_days": 100.0, "gain": 90.0, "gain_bound": 90.0, "gap": 0.0}
    south = {"visits": 5, "dates_not_kept": 1, "defect_days": 60.0, "gain": 50.0, "gain_bound": 52.0, "gap": 2 / 52}
    return [shared | {"depot": d, "plain_gain": 40.0} | own for d, own in zip(DEPOTS, (north, south), strict=True)]


def plan_store(folder: Path, rows: Sequence[dict[str, Any]] | None = None) -> Path:
    """A store that holds this plan, the vehicles and their scores; driver ``D-77`` is known, vehicle 2's masses too."""
    rows = visits() if rows is None else rows
    ids = [row["vehicle_id"] for row in rows]
    vehicles = [
        {"vehicle_id": v, "category": "N3", "depot": DEPOTS[0], "max_mass_kg": 18000.0, "odometer_km": 160934.4}
        for v in ids
    ]
    health = [
        {"vehicle_id": v, "as_of": AS_OF, "rank": n, "priority": "this_week", "health_score": 40.0, "events_used": 20}
        for n, v in enumerate(ids, start=1)
    ]
    tables = {
        "vehicles": vehicles,
        "drivers": [{"driver_id": "D-77", "depot": DEPOTS[0]}],
        "vehicle_health": health,
        "inspection_plan": list(rows),
        "plan_days": _days() if rows else [],
        "plan_summary": _summary() if rows else [],
    }
    folder.mkdir(parents=True, exist_ok=True)
    with rebuilding(folder) as con:
        for name, given in tables.items():
            if given:
                replace_table(con, name, pd.DataFrame(given))
    return folder
