"""What came in: reasons by kind, bounded lists, vehicles and channels."""

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest
from builders import PLAIN

from fleetbrake.reports import recording_reads
from fleetbrake.store.database import rebuilding, replace_table

READ_AT = datetime(2026, 3, 1, 2, tzinfo=UTC)


def _with_log(folder: Path, rows: list[tuple[str, str, str | None]]) -> Path:
    log = pd.DataFrame(rows, columns=["path", "status", "reason"]).assign(loaded_at=READ_AT, events=1)
    with rebuilding(folder) as con:
        replace_table(con, "ingest_log", log)
    return folder


def test_reasons_are_grouped_by_what_was_wrong(tmp_path: Path) -> None:
    store = _with_log(
        tmp_path,
        [
            ("a/1.parquet", "rejected", "a/1.parquet: the file is empty (0 bytes)"),
            ("a/2.parquet", "rejected", "a/2.parquet: the file is empty (0 bytes)"),
            ("a/3.parquet", "partly_loaded", "event X-1 (rows 10 to 20) rejected: time runs backwards at row 12; "
             "event Y (b) (rows 1 to 9) rejected: time runs backwards at row 1,002; 3 repeated time stamps dropped"),
            ("a/4.parquet", "partly_loaded",
             "2 event ids are already in another file (a/3.parquet), whose events were kept"),
            ("a/5.parquet", "loaded", "not told"),
        ],
    )  # fmt: skip
    found = recording_reads.reasons(store)
    found.index = [recording_reads.kind_of(said) for said in found["example"]]
    assert found["files"].to_dict() == {
        "the file is empty (… bytes)": 2,
        "event rejected: time runs backwards at row …": 1,
        "… repeated time stamps dropped": 1,
        "… event ids are already in another file, whose events were kept": 1,
    }
    assert found.loc["the file is empty (… bytes)", ["rejected", "path"]].tolist() == [2, "a/1.parquet"]
    assert len(recording_reads.reasons(store, most=1)) == 1


def test_lists_of_files_are_bounded_and_say_how_many_are_left(tmp_path: Path) -> None:
    rows = [(f"f{n:03d}", "rejected" if n % 10 == 0 else "loaded", None) for n in range(100)]
    store = _with_log(tmp_path, rows)
    found, more = recording_reads.files(store, most=30)
    assert (len(found), more) == (30, 70)
    assert found["status"].tolist()[:11] == ["rejected"] * 10 + ["loaded"]
    bad, none = recording_reads.files(store, ("rejected",), most=30)
    assert (len(bad), none) == (10, 0)


def test_files_of_one_vehicle(store: Path) -> None:
    found, _ = recording_reads.files(store, vehicle_id=PLAIN.vehicles[0])
    assert "recordings/day-0.parquet" in {str(p)[-24:] for p in found["path"]}
    assert recording_reads.files(store, vehicle_id="'; DROP TABLE events; --")[0].empty


def test_counts_of_an_empty_log(empty_store: Path) -> None:
    came = recording_reads.arrived(empty_store)
    assert (came.files, came.events, came.rejected, came.newest_read_at) == (0, 0, 0, None)
    assert recording_reads.reasons(empty_store).empty and recording_reads.facts(empty_store).empty


def test_facts_of_the_depots_asked_for(store: Path) -> None:
    every = recording_reads.facts(store)
    assert set(every["vehicle_id"]) == set(PLAIN.vehicles)
    some = recording_reads.facts(store, (PLAIN.depots[0],))
    assert 0 < len(some) < len(every) and set(some["depot"]) == {PLAIN.depots[0]}
    silent, trailers = recording_reads.never_sent(every)
    assert silent == [PLAIN.vehicles[-1]] and trailers == []


def test_trailers_that_never_record_are_told_apart() -> None:
    facts = pd.DataFrame(
        {"vehicle_id": ["a", "b", "c"], "events": [0, 0, 3], "in_register": True, "category": ["O4", None, "N1"]}
    )
    assert recording_reads.never_sent(facts) == (["b"], ["a"])


def test_channels_of_a_vehicle_leave_the_keys_out(store: Path) -> None:
    found = recording_reads.channels_of(store, PLAIN.vehicles[0])
    assert {"speed_mps", "brake_pressure_kpa"} <= set(found["channel"]) and "timestamp" not in set(found["channel"])


@pytest.mark.parametrize("word", ["2 times", "4 days", "14 days", "28 Jan 2026"])
def test_the_rule_is_told_with_its_figures(word: str) -> None:
    assert word in recording_reads.silence_rule(pd.Timestamp("2026-01-28"))
