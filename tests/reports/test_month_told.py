"""What a month's files are written from: read from one published file, whole for months of nothing, the same twice."""

import hashlib
import os
import subprocess
import sys
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from builders import AS_OF, MONTH, PLAIN, build_store

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.core.report_tables import REPORT_TABLES
from fleetbrake.core.tables import TABLES
from fleetbrake.reports.monthly import month_told as reading
from fleetbrake.reports.monthly.month_told import month_told
from fleetbrake.reports.source import frame, one_snapshot
from fleetbrake.store.database import rebuilding

EVERY = [*REPORT_TABLES, *TABLES]


def _copy(store: Path, folder: Path) -> Path:
    folder.mkdir()
    (folder / "fleet.duckdb").write_bytes((store / "fleet.duckdb").read_bytes())
    return folder


def test_the_reports_own_tables_come_first_then_all_published_ones(store: Path) -> None:
    told = month_told(store, MONTH)
    assert list(told.tables) == EVERY and told.aliased
    for name, columns in {**REPORT_TABLES, **TABLES}.items():
        assert told.tables[name].column_names == [column.name for column in columns], name
    assert len(told.events) == told.tables["events"].num_rows == told.figures.events
    assert len(told.plan) > 0
    named = month_told(store, MONTH, safety_role=True)
    assert not named.aliased and PLAIN.drivers[0] in named.tables["driver_style"]["driver_id"].to_pylist()
    assert all(name.startswith("driver-") for name in told.tables["driver_style"]["driver_id"].to_pylist())


def test_what_is_published_meanwhile_changes_nothing(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A newer file comes in after the first figures were read: all that follows is still of the first one."""
    moving = _copy(store, tmp_path / "moving")
    before = month_told(moving, MONTH)
    rates = reading.month_rates

    def publish_in_between(*given: object) -> object:
        with rebuilding(moving) as con:
            for name in ("events", "vehicle_health", "inspection_plan", "flags", "drivers", "month_figures"):
                con.execute(f"DELETE FROM {name}")
        return rates(*given)

    monkeypatch.setattr(reading, "month_rates", publish_in_between)
    told = month_told(moving, MONTH)
    monkeypatch.undo()
    assert told.figures == before.figures and told.remarks == before.remarks
    assert told.tables == before.tables
    pd.testing.assert_frame_equal(told.plan, before.plan)
    assert month_told(moving, MONTH).figures.events == 0, "the newer file is read the next time"


def test_a_snapshot_is_of_one_store_and_ends_with_its_block(store: Path, tmp_path: Path) -> None:
    other = build_store(tmp_path / "other", filled=False)
    count = "SELECT count(*) AS n FROM events"
    with one_snapshot(store):
        assert frame(store, count)["n"].iloc[0] > 0
        assert frame(other, count)["n"].iloc[0] == 0
        with pytest.raises(StoreError):
            frame(store, "SELECT nothing FROM events")
        assert frame(store, count)["n"].iloc[0] > 0, "a query that failed ends nothing"
    with rebuilding(other) as con:
        con.execute("INSERT INTO events (event_id) VALUES ('x')")
    assert frame(other, count)["n"].iloc[0] == 1


@pytest.mark.parametrize("month", ["2025-03", "2026-02"])
def test_a_month_without_data_says_so_and_has_all_tables(store: Path, month: str) -> None:
    told = month_told(store, month)
    assert list(told.tables) == EVERY and told.figures.events == 0
    empty = {name for name, table in told.tables.items() if not table.num_rows}
    assert {"events", "event_wheels", "vehicle_health", "month_rates", "month_work"} <= empty
    assert f"No brake application began in {month} (UTC). Months with events: {MONTH}." in told.remarks
    assert f"Vehicles and drivers: {told.of.not_scored}." in told.remarks
    assert told.tables["fleet_months"].num_rows == 36


def test_stores_of_nothing_of_one_vehicle_and_never_scored(store: Path, empty_store: Path, tmp_path: Path) -> None:
    nothing = month_told(empty_store, MONTH)
    assert "The store has no events at all." in nothing.remarks[0]
    single = _copy(store, tmp_path / "single")
    with rebuilding(single) as con:
        for name in ("events", "event_wheels", "vehicles", "vehicle_health", "month_figures", "month_surfaces"):
            if name.startswith("month"):
                con.execute(f"DELETE FROM {name}")
            else:
                con.execute(f"DELETE FROM {name} WHERE vehicle_id <> 'BUS-011'")
        con.execute("DELETE FROM month_work WHERE vehicle_id <> 'BUS-011'")
    one = month_told(single, MONTH)
    assert one.figures.vehicles == 1 and one.tables["vehicle_health"].num_rows == 1
    with rebuilding(single) as con:
        for name in ("vehicle_health", "indicators", "driver_style"):
            con.execute(f"DELETE FROM {name}")
    unscored = month_told(single, MONTH)
    assert any("not scored in this month" in remark for remark in unscored.remarks)


def test_a_month_that_has_not_begun_and_what_is_no_month_are_refused(store: Path) -> None:
    with pytest.raises(InputError, match="2026-02 has not begun yet"):
        month_told(store, "2026-02", today=date(2026, 1, 31))
    assert month_told(store, "2026-02", today=date(2026, 2, 1)).figures.events == 0
    with pytest.raises(InputError, match="is no month"):
        month_told(store, "2026-2")


def test_a_store_of_an_earlier_version_says_what_helps(store: Path, tmp_path: Path) -> None:
    old = _copy(store, tmp_path / "old")
    with rebuilding(old) as con:
        con.execute("DROP TABLE month_surfaces")
    with pytest.raises(StoreError, match="earlier version: run 'fleetbrake score"):
        month_told(old, MONTH)


def test_open_flags_have_their_age_on_the_last_day_told(store: Path, tmp_path: Path) -> None:
    aged = _copy(store, tmp_path / "aged")
    with rebuilding(aged) as con:
        con.execute("UPDATE flags SET closed_on = NULL, raised_on = DATE '2026-01-05'")
        con.execute("UPDATE flags SET closed_on = DATE '2026-01-28' WHERE flag_id = (SELECT min(flag_id) FROM flags)")
    flags = month_told(aged, MONTH).tables["open_flags"].to_pylist()
    everything = frame(aged, "SELECT count(*) AS n FROM flags")["n"].iloc[0]
    assert len(flags) == everything - 1 > 0, "what was closed on that day does not stand any more"
    assert {(row["told_on"], row["age_days"]) for row in flags} == {(AS_OF, 23)}
    with rebuilding(aged) as con:  # scored later too: the month is over
        con.execute("INSERT INTO vehicle_health (vehicle_id, as_of) VALUES ('BUS-011', DATE '2026-02-07')")
    later = month_told(aged, MONTH).tables["open_flags"].to_pylist()
    assert {(row["told_on"], row["age_days"]) for row in later} == {(date(2026, 1, 31), 26)}


_DIGEST = """
import hashlib, pathlib, sys
from fleetbrake.reports.monthly.month_csv import write_tables
from fleetbrake.reports.monthly.month_told import month_told
folder = pathlib.Path(sys.argv[2])
names = write_tables(folder, month_told(pathlib.Path(sys.argv[1]), sys.argv[3]).tables)
print(hashlib.sha256(b"".join((folder / name).read_bytes() for name in names)).hexdigest())
"""


def test_the_same_store_gives_the_same_bytes_in_another_process(hostile_store: Path, tmp_path: Path) -> None:
    from fleetbrake.reports.monthly.month_csv import write_tables

    told = month_told(hostile_store, MONTH)
    names = write_tables(tmp_path / "here", told.tables)
    here = hashlib.sha256(b"".join((tmp_path / "here" / name).read_bytes() for name in names)).hexdigest()
    elsewhere = subprocess.run(
        [sys.executable, "-c", _DIGEST, str(hostile_store), str(tmp_path / "there"), MONTH],
        env={**os.environ, "PYTHONHASHSEED": "4711"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert elsewhere.stdout.strip() == here
    assert month_told(hostile_store, MONTH).tables == told.tables
