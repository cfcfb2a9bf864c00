"""Which day a month's scores and plan are of, and what its files tell of people and machines."""

import re
from datetime import date
from pathlib import Path

import pandas as pd
import pypdf
import pytest
from builders import AS_OF, MONTH, PLAIN, build_store

from fleetbrake.core.tables import TABLES
from fleetbrake.reports import reads
from fleetbrake.reports.aliases import aliases
from fleetbrake.reports.monthly.month_data import month_scored, month_tables
from fleetbrake.reports.monthly.month_pdf import write_pdf
from fleetbrake.reports.monthly.month_told import month_told
from fleetbrake.reports.privacy import short_path
from fleetbrake.store.database import rebuilding, replace_table

SCORED = ("vehicle_health", "indicators", "driver_style")


def _pdf_text(store: Path, folder: Path) -> str:
    """Text of the month's PDF without white space and marks of break and direction."""
    path = folder / "month.pdf"
    write_pdf(path, month_told(store, MONTH))
    text = "".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
    return re.sub(r"[\s\u200b\u00ad\u2068\u2069]", "", text)


def _scored_on(store: Path, *days: date, only: tuple[str, ...] = SCORED) -> None:
    """Let the store hold the built scores once for each day."""
    with rebuilding(store) as con:
        for name in only:
            rows = reads.frame(store, f"SELECT * FROM {name} WHERE as_of = ?", [AS_OF])
            replace_table(con, name, pd.concat([rows.assign(as_of=day) for day in days]))


def test_a_month_takes_the_newest_of_its_own_days_and_never_two(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    _scored_on(store, date(2025, 12, 31), date(2026, 1, 12), date(2026, 1, 31), date(2026, 2, 1))
    assert month_scored(store, MONTH) == date(2026, 1, 31)
    tables = month_tables(store, MONTH, None)
    for name in SCORED:
        assert set(tables[name]["as_of"].to_pylist()) == {date(2026, 1, 31)}, name
    assert tables["vehicle_health"].num_rows == len(PLAIN.vehicles)
    assert month_scored(store, "2026-03") is None


def test_drivers_of_an_older_day_are_not_beside_vehicles_of_a_newer_one(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    _scored_on(store, date(2026, 1, 30), only=("vehicle_health",))
    assert reads.ranked(store)["as_of"].unique().tolist() == [date(2026, 1, 30)]
    assert reads.drivers(store).empty and reads.indicators_of(store, PLAIN.vehicles[0]).empty
    tables = month_tables(store, MONTH, None)
    assert (
        tables["vehicle_health"].num_rows and not tables["driver_style"].num_rows and not tables["indicators"].num_rows
    )


def test_every_read_shows_the_newest_of_several_days(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    once = len(reads.indicators_of(store, PLAIN.vehicles[0]))
    _scored_on(store, AS_OF, date(2026, 2, 3), date(2025, 11, 2))
    assert reads.store_facts(store).as_of == date(2026, 2, 3)
    assert reads.ranked(store)["vehicle_id"].tolist() == list(PLAIN.vehicles)
    assert reads.drivers(store)["driver_id"].tolist() == list(PLAIN.drivers)
    assert len(reads.indicators_of(store, PLAIN.vehicles[0])) == once
    assert len(reads.vehicle_ids(store)) == len(PLAIN.vehicles)


def test_a_month_that_was_not_scored_says_how_to_score_it(tmp_path: Path) -> None:
    store = build_store(tmp_path / "store")
    _scored_on(store, date(2026, 2, 1))
    text = _pdf_text(store, tmp_path)
    # how to score it once, on the first page; that nothing was scored beneath each head that misses it
    assert text.count("notscoredinthismonth;run`fleetbrakescore--as-of2026-01-31`") == 1
    assert text.count("Notscoredinthismonth.") == 3


def test_the_pdf_shows_planned_days_after_the_month_vehicles_without_a_sign_as_ids_and_six_notes(
    store: Path, tmp_path: Path
) -> None:
    """Of one store: a plan that lies after the month, seventy calm vehicles and two trailers, thirteen drivers."""
    trailers = ("TRL-1", "TRL-2")
    grown = build_store(tmp_path / "store")
    plan, first = reads.plan(store), reads.drivers(store).iloc[[0]]
    assert plan["planned_on"].max() < date(2026, 2, 1)
    health = reads.frame(grown, "SELECT * FROM vehicle_health ORDER BY rank")
    calm = health[health["priority"] == "no_sign"].iloc[[0]]
    more = [calm.assign(vehicle_id=f"CALM-{n:03d}", rank=100 + n) for n in range(70)]
    more += [
        calm.assign(vehicle_id=t, rank=200, category="O4", priority="too_little_evidence", events_used=0)
        for t in trailers
    ]
    noted = [first.assign(driver_id=f"D-x{n}", rank=n, note=f"Note number {n} ends.") for n in range(1, 14)]
    with rebuilding(grown) as con:
        replace_table(con, "vehicle_health", pd.concat([health, *more]))
        replace_table(con, "inspection_plan", plan.assign(planned_on=date(2026, 2, 17)))
        replace_table(con, "driver_style", pd.concat(noted))
    text = _pdf_text(grown, tmp_path)
    listed = text[text.index("Vehiclestoinspect") : text.index("Flagsthatarestillopen")]
    assert listed.count("planned17Feb2026") == len(plan) == 4
    calm_before = int((health["priority"] == "no_sign").sum())
    assert f"notcleared,andduefortheirinspectionsasever:{calm_before + 70}" in text
    assert f"and{calm_before + 70 - 48}more" in text and "CALM-041" in text and "CALM-042" not in text
    due = pd.Timestamp(calm["inspection_due_on"].iloc[0])
    dated = (
        [f"{t},due{due.day}{due:%b%Y}" for t in trailers] if pd.notna(due) else [f"{t},nodateknown" for t in trailers]
    )
    assert f"bytheirdates:2{'·'.join(dated)}" in text
    assert f"neithergoodnorbad:1{PLAIN.vehicles[-1]}" in text
    assert [n for n in range(1, 14) if f"Notenumber{n}ends." in text] == list(range(1, 7))


def test_paths_end_with_folder_and_file_in_every_role(tmp_path: Path) -> None:
    assert short_path("/srv/fleet/in/vehicle_id=B-1/day.parquet") == "vehicle_id=B-1/day.parquet"
    assert short_path("C:\\fleet\\in\\day.parquet") == "in/day.parquet"
    assert short_path("day.parquet") == "day.parquet" and short_path("in/day.parquet") == "in/day.parquet"
    store = build_store(tmp_path / "store")
    with rebuilding(store) as con:
        con.execute("UPDATE events SET source_path = '/srv/fleet/' || source_path, notes = 'also in /srv/fleet/in/b'")
        con.execute("UPDATE ingest_log SET path = '/srv/fleet/' || path, reason = '/srv/fleet/' || path || ': no end'")
    for alias in (None, aliases(store)):
        tables = month_tables(store, MONTH, alias)
        assert set(tables) == set(TABLES)
        told = [v for t in tables.values() for c in t.columns for v in c.to_pylist() if isinstance(v, str)]
        assert not [v for v in told if "/srv" in v]
        log = tables["ingest_log"].to_pylist()
        assert {"recordings/cut-off.parquet: no end"} & {row["reason"] for row in log}
        assert {row["notes"] for row in tables["events"].to_pylist()} == {"also in in/b"}


@pytest.mark.parametrize("safety_role", [True, False])
def test_trips_lead_to_drivers_only_with_the_safety_role(tmp_path: Path, safety_role: bool) -> None:
    store = build_store(tmp_path / "store")
    with rebuilding(store) as con:
        con.execute("UPDATE events SET trip_id = 'trip of ' || driver_id")
    trips = month_told(store, MONTH, safety_role=safety_role).tables["events"]["trip_id"]
    assert (trips.null_count == len(trips)) is not safety_role


def test_distances_are_reported_without_binary_dust(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    with rebuilding(store) as con:
        con.execute("UPDATE driver_style SET distance_km = 2734.4999999999995 WHERE rank = 1")
    assert month_tables(store, MONTH, None)["driver_style"]["distance_km"][0].as_py() == 2734.5


def test_a_trailer_without_events_is_judged_by_its_date(store: Path) -> None:
    row = {**reads.ranked(store).iloc[-1].to_dict(), "category": "O4", "events_used": 0, "reason": "0 usable events"}
    assert reads.reason_of(row) == "Trailer without brake events of its own: judged by its due date only"
    assert reads.reason_of({**row, "events_used": 3}) == reads.reason_of({**row, "category": "N3"}) == "0 usable events"


def test_overdue_means_past_when_the_plan_begins() -> None:
    row = {"as_of": date(2026, 1, 28), "inspection_due_on": date(2026, 1, 28)}
    assert reads.overdue(row)
    assert not reads.overdue({**row, "inspection_due_on": date(2026, 1, 29)})
    assert not reads.overdue({**row, "inspection_due_on": None})
