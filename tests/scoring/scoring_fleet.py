"""A small hand-made store in memory: tables from ``core.tables``, rows from keyword arguments."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb
import pyarrow as pa

from fleetbrake.core.tables import REGISTERS, TABLES

DAY = date(2026, 3, 2)  # a Monday


class Fleet:
    """Builds rows in Python and inserts them into an in-memory connection."""

    def __init__(self) -> None:
        self.rows: dict[str, list[dict[str, Any]]] = {name: [] for name in (*TABLES, *REGISTERS)}
        self.number = 0

    def add(self, table: str, **values: Any) -> None:
        self.rows[table].append(values)

    def vehicle(self, vehicle_id: str, **values: Any) -> None:
        defaults = {"category": "N3", "actuation": "air", "depot": "North", "max_mass_kg": 18000.0}
        self.add("vehicles", **{"vehicle_id": vehicle_id} | defaults | values)

    def event(
        self, vehicle_id: str, day: date = DAY, wheels: dict[str, dict[str, Any]] | None = None, **values: Any
    ) -> str:
        """One application; ids and times count up so that every event differs."""
        self.number += 1
        event_id = f"e{self.number:05d}"
        start = datetime(day.year, day.month, day.day, 6, tzinfo=UTC) + timedelta(seconds=7 * (self.number % 9000))
        defaults = {
            "event_id": event_id,
            "vehicle_id": vehicle_id,
            "started_at": start,
            "surface": "dry_paved",
            "gross_mass_kg": 9000.0,
        }
        self.add("events", **defaults | values)
        for wheel, columns in (wheels or {}).items():
            self.add(
                "event_wheels",
                **{"event_id": event_id, "vehicle_id": vehicle_id, "wheel": wheel, "sensed": True} | columns,
            )
        return event_id

    def connect(self, reverse: bool = False) -> duckdb.DuckDBPyConnection:
        con = duckdb.connect(
            config={"threads": 1}
        )  # small tables, several workers: more threads only wait for each other
        tables = {name: [(c.name, c.type) for c in columns] for name, columns in TABLES.items()}
        for name, columns in (tables | REGISTERS).items():
            con.execute(f"create table {name} (" + ", ".join(f'"{c}" {t}' for c, t in columns) + ")")
        for name, rows in self.rows.items():
            names = sorted({column for row in rows for column in row})
            ordered = rows[::-1] if reverse else rows
            if rows:
                rows_in = pa.table({column: [row.get(column) for row in ordered] for column in names})
                con.register("rows_in", rows_in)
                columns = ", ".join(f'"{column}"' for column in names)
                con.execute(f"insert into {name} ({columns}) select {columns} from rows_in")
        return con


def only(con: duckdb.DuckDBPyConnection, sql: str, *values: Any) -> dict[str, Any]:
    """The one row of a query, as a dict."""
    cursor = con.execute(sql, list(values))
    names = [column[0] for column in cursor.description]
    rows = cursor.fetchall()
    assert len(rows) == 1, rows
    return dict(zip(names, rows[0], strict=True))
