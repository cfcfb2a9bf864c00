"""The published file as a whole: the log, days, hostile ids, and no trace of the order of reading."""

import itertools
import math
import random
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from store_rows import START, at, column, event, ingest, publish, published, register, rows, wheel

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.core.errors import StoreError
from fleetbrake.core.vocabulary import INDICATORS
from fleetbrake.store.database import reading, rebuilding, replace_table
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import LogEntry
from fleetbrake.store.log_writing import commit_log
from fleetbrake.store.publish import newest_day, publish_recordings

HOSTILE = (
    "'; DROP TABLE events; --",
    'a"b',
    "x\ny\tz",
    "../../etc/passwd",
    "=1+1",
    "שלום \u202e",
    "",
    "NULL",
    "%s ? $1",
)


# --- the log, days, other tables


def test_rejected_files_keep_their_story_and_a_changed_file_replaces_its_rows(tmp_path: Path) -> None:
    ingest(tmp_path, "a", [event("old")])
    bad = LogEntry("bad", "s", "c", None, "rejected", rows=7, events_rejected=2, reason="times run backwards")
    commit_log(tmp_path, [bad])
    publish(tmp_path)
    assert rows(tmp_path, "SELECT path, status, rows, events, events_rejected, reason FROM ingest_log") == [
        ("a", "loaded", 1000, 1, 0, None),
        ("bad", "rejected", 7, 0, 2, "times run backwards"),
    ]
    ingest(tmp_path, "a", [event("new")])
    publish(tmp_path)
    assert column(tmp_path, "event_id") == ["new"]


def test_pieces_that_the_log_does_not_name_do_not_exist(tmp_path: Path) -> None:
    ingest(tmp_path, "a", [event("e")])
    key = ingest(tmp_path, "b", [event("f")])
    commit_log(tmp_path, [LogEntry("b", "changed", "c", None, "rejected")])
    assert Lake(tmp_path).has(key)
    publish(tmp_path)
    assert column(tmp_path, "event_id") == ["e"]


def test_a_missing_piece_is_told_and_nothing_is_published(tmp_path: Path) -> None:
    key = ingest(tmp_path, "a", [event("e")])
    publish(tmp_path)
    before = published(tmp_path)
    (tmp_path / "lake" / "events" / f"{key}.parquet").unlink()
    with pytest.raises(StoreError, match="ingest the recordings again"):
        publish(tmp_path)
    assert published(tmp_path) == before


def test_an_empty_store_publishes_empty_tables(tmp_path: Path) -> None:
    publish(tmp_path)
    found = published(tmp_path)
    assert {name for name, content in found.items() if content} == {"settings", "observability"}


def test_the_newest_day_is_in_utc_and_leaves_the_future_out(tmp_path: Path) -> None:
    today = date(2026, 1, 12)
    publish(tmp_path)
    with reading(tmp_path) as con:
        assert newest_day(con, today) is None
    last = START.replace(hour=23, minute=59, second=59)
    ingest(tmp_path, "a", [event("e", started_at=last), event("f", started_at=last + timedelta(days=900))])
    publish(tmp_path)
    assert len(column(tmp_path, "event_id")) == 2
    with reading(tmp_path) as con:
        assert newest_day(con, today) == today
        assert newest_day(con, today - timedelta(days=1)) is None


def test_publishing_leaves_scores_and_plan(tmp_path: Path) -> None:
    publish(tmp_path)
    with rebuilding(tmp_path) as con:
        replace_table(con, "inspection_plan", con.sql("SELECT 'v' AS vehicle_id, 1 AS position"))
    ingest(tmp_path, "a", [event("e")])
    publish(tmp_path)
    assert rows(tmp_path, "SELECT vehicle_id, position FROM inspection_plan") == [("v", 1)]


def test_observability_speaks_of_every_class_and_indicator(tmp_path: Path) -> None:
    publish(tmp_path)
    found = dict(rows(tmp_path, "SELECT subject, least_rate_hz FROM observability"))
    assert set(INDICATORS) <= set(found)
    assert {"hard_stop", "modulation", "lockup", "lockup_above_cutoff", "emergency_application"} <= set(found)
    assert found["lockup"] == DEFAULT.least_rate_lockup_hz


# --- nulls, hostile ids, order


def test_nulls_stay_nulls_and_values_stay_values(tmp_path: Path) -> None:
    seen = {"peak_slip": math.nan, "lockup": None, "lockup_s": 0.0}
    ingest(tmp_path, "a", [event("e", mfdd_mps2=None, grade=math.nan, lockup_s=0.0)], [wheel("e", "1L", **seen)])
    publish(tmp_path)
    assert rows(tmp_path, "SELECT mfdd_mps2, grade, lockup, modulation, lockup_s FROM events") == [
        (None, None, None, None, 0.0)
    ]
    assert rows(tmp_path, "SELECT peak_slip, lockup, lockup_s FROM event_wheels") == [(None, None, 0.0)]


def test_hostile_ids_pass_unchanged(tmp_path: Path) -> None:
    for i, name in enumerate(HOSTILE):
        values = {"vehicle_id": name, "driver_id": name, "started_at": at(1000 * i)}
        ingest(tmp_path, name + ".parquet", [event(name, **values)], [wheel(name, "1L", vehicle_id=name)])
        register(tmp_path, vehicles=[{"vehicle_id": name, "depot": name}])
        commit_log(tmp_path, [LogEntry(name + "bad", name, name, None, "rejected", reason=name)])
    publish(tmp_path)
    found = rows(tmp_path, "SELECT event_id, vehicle_id, driver_id, depot, source_path FROM events")
    assert sorted(found) == sorted((name, name, name, name, name + ".parquet") for name in HOSTILE)
    assert sorted(column(tmp_path, "vehicle_id", "event_wheels")) == sorted(HOSTILE)
    assert {row[0] for row in rows(tmp_path, "SELECT id FROM unknown_ids WHERE kind = 'driver'")} == set(HOSTILE)
    reasons = {row[0] or "" for row in rows(tmp_path, "SELECT reason FROM ingest_log WHERE status = 'rejected'")}
    assert reasons == set(HOSTILE)


def scenario() -> list[tuple[str, list[dict[str, Any]], list[dict[str, Any]]]]:
    """Files that overlap in every way there is: repeated ids, drives twice, chains of onsets, equal samples."""
    random_ = random.Random(7)
    files = []
    for path in ("a", "b", "c", "d"):
        events = {}
        for _ in range(12):
            continuous = random_.random() < 0.6
            name = f"{'drive' if continuous else 'cut'}-{random_.randrange(15)}"
            values = {
                "started_at": at(random_.choice([0, 0.3, 0.6, 30, 90, 91])),
                "samples": random_.choice([100, 200]),
                "vehicle_id": random_.choice(["van-1", "van-2"]),
                "row_start": random_.randrange(5),
                "peak_decel_mps2": random_.choice([2.0, 3.5, None, math.nan]),
                "continuous": continuous,
            }
            events[name] = event(name, **values)
        files.append((path, list(events.values()), [wheel(name, "1L") for name in events]))
    return files


@pytest.mark.parametrize("every", [10, pytest.param(5, marks=pytest.mark.long)])
def test_the_order_of_reading_and_a_second_publish_leave_no_trace(tmp_path: Path, every: int) -> None:
    found = []
    for number, order in enumerate(itertools.islice(itertools.permutations(scenario()), 0, 24, every)):
        store = tmp_path / str(number)
        for path, events, wheels in order:
            ingest(store, path, events, wheels)
        for depot in ("north", "south") if number % 2 else ("east", "south"):  # as often written
            register(store, vehicles=[{"vehicle_id": "van-1", "category": "M3", "depot": depot}])
        publish(store)
        found.append(published(store))
        publish(store)
        found.append(published(store))
    assert all(other == found[0] for other in found)
    ids = [row[0] for row in found[0]["events"]]
    assert len(ids) == len(set(ids)) > 5
    assert sum(row[4] for row in found[0]["ingest_log"]) == len(ids)


def test_other_thresholds_are_used(tmp_path: Path) -> None:
    ingest(tmp_path, "a", [event("e", peak_decel_mps2=3.5)])
    with rebuilding(tmp_path) as con:
        publish_recordings(con, tmp_path, replace(DEFAULT, hard_stop_light_mps2=3.5))
    assert column(tmp_path, "hard_stop") == [True]
