"""Hand-made stores of published scores, day by day, for the tests of flags and wishes."""

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from fleetbrake.core.tables import REGISTERS, TABLES
from fleetbrake.planning.flag_rounds import raise_flags
from fleetbrake.planning.flags import publish_flags
from fleetbrake.store.database import rebuilding, replace_table

DAY = date(2026, 3, 2)  # a Monday
ADDED = ("inspections", "repairs", "defect_reports", "due_dates", "vehicles", "capacity")


def vehicle(vehicle_id: str = "bus", priority: str = "this_week", **values: Any) -> dict[str, Any]:
    """A row of ``vehicle_health``."""
    return {"vehicle_id": vehicle_id, "priority": priority, "depot": "North", "rank": 1} | values


def shows(
    indicator: str, wheel: str | None = None, vehicle_id: str = "bus", ranks: bool = True, **values: Any
) -> dict[str, Any]:
    """A row of ``indicators``."""
    return {"vehicle_id": vehicle_id, "indicator": indicator, "wheel": wheel, "ranks": ranks} | values


def scored(store: Path, as_of: date, health: list[dict[str, Any]], **tables: list[dict[str, Any]]) -> None:
    """Publish a day's scores as a run does: rows of other days stay, registers get these rows beside their own."""
    with rebuilding(store) as con:
        for name, rows in {"vehicle_health": health, **tables}.items():
            day = {} if name in REGISTERS else {"as_of": as_of}
            frame = pd.DataFrame([{**row, **day} for row in rows])
            old = con.sql(f"SELECT * FROM {name}").df()
            if name == "indicator_trips":
                old = old.head(0)
            elif name in TABLES:
                old = old[pd.to_datetime(old["as_of"]) != pd.Timestamp(as_of)]
            kept = [part.astype(object) for part in (old, frame) if len(part)]
            replace_table(con, name, pd.concat(kept, ignore_index=True) if kept else old)
        raise_flags(con, store, as_of)
        publish_flags(con, store, as_of)


def day(number: int) -> date:
    """So many days after ``DAY``."""
    return DAY + timedelta(days=number)


def side_by_side(cases: Sequence[dict[str, list[dict[str, Any]]]]) -> dict[str, list[dict[str, Any]]]:
    """Rows of many cases for one store: those of case 3 belong to the vehicle ``bus3``, each with its own ids."""
    found: dict[str, list[dict[str, Any]]] = {}
    for number, tables in enumerate(cases):
        for name, rows in tables.items():
            own = [row | {"vehicle_id": f"bus{number}"} for row in rows]
            ids = [
                {"inspection_id": f"{number} {row['inspection_id']}"} if "inspection_id" in row else {} for row in own
            ]
            found.setdefault(name, []).extend(row | id_ for row, id_ in zip(own, ids, strict=True))
    return found
