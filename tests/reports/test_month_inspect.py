"""The list of vehicles to inspect is one table in every form, and open flags say since when their sign shows."""

from datetime import date
from pathlib import Path

import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pytest
from builders import AS_OF, MONTH

from fleetbrake.reports import reads
from fleetbrake.reports.monthly.month_csv import write_tables
from fleetbrake.reports.monthly.month_flags import open_flags
from fleetbrake.reports.monthly.month_pdf import document
from fleetbrake.reports.monthly.month_told import MonthTold, month_told
from fleetbrake.store.database import rebuilding


@pytest.fixture(scope="module")
def told(store: Path, tmp_path_factory: pytest.TempPathFactory) -> MonthTold:
    """The month with a plan that begins when it is over, as plans do."""
    later = tmp_path_factory.mktemp("later")
    (later / "fleet.duckdb").write_bytes((store / "fleet.duckdb").read_bytes())
    with rebuilding(later) as con:
        con.execute("UPDATE inspection_plan SET planned_on = planned_on + 31")
    return month_told(later, MONTH)


def test_the_list_is_who_needs_a_look_with_the_day_planned_though_it_lies_in_another_month(
    store: Path, told: MonthTold
) -> None:
    rows = told.tables["to_inspect"].to_pylist()
    ranked = [row for row in reads.ranked(store, AS_OF).to_dict("records") if reads.needs_a_look(row)]
    assert [(r["rank"], r["vehicle_id"], r["reason"]) for r in rows] == [
        (r["rank"], r["vehicle_id"], r["reason"]) for r in ranked
    ]
    planned = dict(zip(told.plan["vehicle_id"], told.plan["planned_on"], strict=True))
    days = [row["planned_on"] for row in rows if row["planned_on"] is not None]
    assert days == [planned[r["vehicle_id"]] for r in rows if r["planned_on"] is not None] and days
    assert all(f"{day:%Y-%m}" > MONTH for day in days)
    assert told.tables["inspection_plan"].num_rows == 0, "the plan's own rows are those of the month"


def test_every_form_lists_the_same_vehicles(told: MonthTold, tmp_path: Path) -> None:
    table = told.tables["to_inspect"]
    write_tables(tmp_path, {"to_inspect": table})
    ids = table["vehicle_id"].to_pylist()
    assert pa_csv.read_csv(tmp_path / "csv" / "to_inspect.csv")["vehicle_id"].to_pylist() == ids
    assert pq.read_table(tmp_path / "parquet" / "to_inspect.parquet").to_pylist() == table.to_pylist()
    listed = [row["vehicle"] for group in document(told)["inspect"]["groups"] for row in group["rows"]]
    assert sorted(listed) == sorted(ids)


def test_an_open_flag_says_since_when_its_sign_shows(store: Path, tmp_path: Path) -> None:
    """The sign was there before the first score: the flag is no older than that, and says so."""
    aged = tmp_path / "aged"
    aged.mkdir()
    (aged / "fleet.duckdb").write_bytes((store / "fleet.duckdb").read_bytes())
    wheels = [("brake_drag", "1L", date(2025, 12, 3)), ("brake_drag", "1R", date(2025, 11, 1)),
              ("slow_response", None, None)]  # fmt: skip
    with rebuilding(aged) as con:
        for table in ("flags", "indicators", "vehicle_health"):
            con.execute(f"DELETE FROM {table}")
        for day in (date(2026, 1, 4), AS_OF):
            con.execute(
                "INSERT INTO vehicle_health (vehicle_id, as_of, open_since) VALUES ('v', ?, '2026-01-02')", [day]
            )
        for number, (indicator, wheel, since) in enumerate(wheels):
            con.execute(
                "INSERT INTO indicators (vehicle_id, as_of, indicator, wheel, first_seen_on) VALUES ('v', ?, ?, ?, ?)",
                [AS_OF, indicator, wheel, since],
            )
            con.execute(
                "INSERT INTO flags (flag_id, vehicle_id, indicator, wheel, raised_on) VALUES (?, 'v', ?, ?, ?)",
                [f"f{number}", indicator, wheel, AS_OF],
            )
        con.execute("INSERT INTO flags (flag_id, vehicle_id, indicator, raised_on) VALUES ('r', 'v', 'open_report', ?)",
                    [AS_OF])  # fmt: skip
    rows = {row["flag_id"]: row for row in open_flags(aged, month_told(aged, MONTH).of).to_pylist()}
    since = {flag: row["shown_since"] for flag, row in rows.items()}
    assert since == {"f0": date(2025, 12, 3), "f1": date(2025, 11, 1), "f2": None, "r": date(2026, 1, 2)}
    assert {row["first_scored_on"] for row in rows.values()} == {date(2026, 1, 4)}
    assert list(rows) == ["f1", "f0", "r", "f2"], "oldest first, by the sign where flags are as old"


def test_the_earliest_statutory_date_of_any_kind_counts(store: Path, tmp_path: Path) -> None:
    """A vehicle past its roller test is overdue, though its yearly inspection is far: as the pages have it."""
    (tmp_path / "fleet.duckdb").write_bytes((store / "fleet.duckdb").read_bytes())
    vehicle = reads.ranked(store, AS_OF)["vehicle_id"].iloc[-1]
    with rebuilding(tmp_path) as con:
        con.execute("INSERT INTO due_dates (vehicle_id, kind, due_on) VALUES (?, 'roller test', ?)", [vehicle, AS_OF])
    told = month_told(tmp_path, MONTH)
    row = next(row for row in told.tables["to_inspect"].to_pylist() if row["vehicle_id"] == vehicle)
    assert row["overdue"] and row["inspection_due_on"] == AS_OF
    shown = {r["vehicle_id"]: r["inspection_due_on"] for r in reads.ranked(tmp_path, AS_OF).to_dict("records")}
    listed = {r["vehicle_id"]: r["inspection_due_on"] for r in told.tables["to_inspect"].to_pylist()}
    assert {v: shown[v] for v, day in listed.items() if day is not None} == {v: d for v, d in listed.items() if d}
    assert any(vehicle in line for line in document(told)["also"])
