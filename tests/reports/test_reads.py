"""The typed reads against the rows that were written."""

from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from a_few import a_few
from builders import AS_OF, HOSTILE, PLAIN, build_store

from fleetbrake.core.errors import StoreError
from fleetbrake.reports import look, reads
from fleetbrake.store.database import rebuilding, replace_table


def test_ranked_gives_every_vehicle_once_in_order(store: Path) -> None:
    ranked = reads.ranked(store)
    assert ranked["rank"].tolist() == list(range(1, 13))
    assert ranked["vehicle_id"].tolist() == list(PLAIN.vehicles)
    assert ranked["as_of"].unique().tolist() == [AS_OF]
    assert ranked["planned_on"].notna().sum() == 3


def test_ranked_shows_only_the_newest_day(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    older = reads.frame(store, "SELECT * FROM vehicle_health")
    older["as_of"] = date(2026, 1, 3)
    older["rank"] = older["rank"].to_numpy()[::-1]
    both = pd.concat([reads.frame(store, "SELECT * FROM vehicle_health"), older])
    with rebuilding(store) as con:
        replace_table(con, "vehicle_health", both)
    assert reads.ranked(store)["vehicle_id"].tolist() == list(PLAIN.vehicles)
    assert reads.ranked(store, date(2026, 1, 3))["vehicle_id"].tolist() == list(PLAIN.vehicles)[::-1]


def test_a_reason_is_never_missing(store: Path) -> None:
    ranked = reads.ranked(store).set_index("vehicle_id")
    assert ranked["reason"].str.len().min() > 0
    assert ranked.loc[PLAIN.vehicles[-1], "reason"] == "Too few brake applications to say anything"
    row = {"reason": None, "leading_indicator": "brake_drag", "suspect_wheel": "2L", "priority": "watch"}
    assert reads.reason_of(row) == "A brake releases late or keeps dragging (wheel 2L)"


def test_what_was_not_observed_stays_missing(store: Path) -> None:
    events = reads.frame(store, "SELECT event_id, lockup, wheel_rate_hz FROM events WHERE wheel_rate_hz IS NULL")
    assert len(events) == 14
    assert events["lockup"].isna().all()
    seen = reads.events_of(store, PLAIN.vehicles[0], most=500)
    assert str(seen["lockup"].dtype) == "boolean"
    assert str(seen["started_at"].dt.tz) == "UTC"


def test_events_come_newest_first_and_are_limited(store: Path) -> None:
    events = reads.events_of(store, PLAIN.vehicles[0])
    assert events["started_at"].is_monotonic_decreasing
    assert len(reads.events_of(store, PLAIN.vehicles[0], most=2)) == 2
    notable = reads.notable_events(store, most=500)
    assert ((notable["lockup"].fillna(False)) | (notable["modulation"].fillna(False))).all()


@pytest.mark.parametrize("vehicle", a_few(HOSTILE.vehicles, 1, 4, 7))
def test_hostile_ids_are_found_by_their_own_letters(hostile_store: Path, vehicle: str) -> None:
    assert reads.register_row(hostile_store, vehicle)["vehicle_id"] == vehicle
    assert set(reads.events_of(hostile_store, vehicle)["vehicle_id"]) <= {vehicle}
    assert reads.event(hostile_store, f"{vehicle}/none") is None
    assert vehicle in reads.vehicle_ids(hostile_store)


def test_evidence_is_a_list_of_ids_whatever_they_hold(hostile_store: Path) -> None:
    for vehicle in HOSTILE.vehicles[:-1]:
        listed = reads.indicators_of(hostile_store, vehicle)["evidence"].iloc[0]
        assert listed and all(reads.event(hostile_store, event) is not None for event in listed)
    assert reads.event_ids("no list") == [] and reads.event_ids('{"a": 1}') == [] and reads.event_ids(None) == []


def test_facts_count_and_tell_what_was_assumed(store: Path, empty_store: Path) -> None:
    facts = reads.store_facts(store)
    assert (facts.as_of, facts.events, facts.files, facts.files_rejected) == (AS_OF, 156, 5, 1)
    assert any("eight bay hours" in sentence for sentence in facts.assumptions)
    assert any("taken as none" in sentence for sentence in facts.assumptions)
    nothing = reads.store_facts(empty_store)
    assert nothing.as_of is None and nothing.events == 0 and nothing.first_at is None


def test_an_empty_store_gives_empty_frames_with_columns(empty_store: Path) -> None:
    full = {
        "ranked": reads.ranked(empty_store),
        "drivers": reads.drivers(empty_store),
        "recordings": reads.recordings(empty_store),
        "unknown": reads.unknown_ids(empty_store),
    }
    assert all(found.empty and found.shape[1] > 3 for found in full.values())
    assert reads.months(empty_store) == [] and reads.vehicle_ids(empty_store) == []


def test_no_database_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="ingest"):
        reads.ranked(tmp_path)


def test_a_damaged_database_is_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "fleet.duckdb").write_bytes(b"no database at all" * 500)
    with pytest.raises(StoreError):
        reads.ranked(tmp_path)


def test_a_replaced_database_is_seen_by_the_next_read(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    before = reads.ranked(store)
    turned = reads.frame(store, "SELECT * FROM vehicle_health")
    turned["rank"] = turned["rank"].to_numpy()[::-1]
    with rebuilding(store) as con:
        replace_table(con, "vehicle_health", turned)
    after = reads.ranked(store)
    assert after["vehicle_id"].tolist() == before["vehicle_id"].tolist()[::-1]


def test_shows_never_calls_the_unobserved_ordinary() -> None:
    events = pd.DataFrame(
        {
            "lockup_above_cutoff": [None, False, True, None, False],
            "modulation": [False, False, True, True, False],
            "hard_stop": [False, False, True, True, True],
        }
    )
    assert look.event_shows(events).tolist() == [
        "not known", "ordinary", "locked above cut-off", "anti-lock at work", "hard stop"
    ]  # fmt: skip


def test_numbers_have_units_and_missing_ones_a_dash() -> None:
    assert look.number(float("nan")) == look.number(pd.NA) == look.day(pd.NaT) == look.score(None, 1, 2) == "–"
    assert look.in_file_name('Bus "7"/../ä\r\n-x_1') == "Bus-7-ä-x_1" and look.in_file_name("#/") == "unnamed"
    assert look.in_file_name("x" * 300) == "x" * 60
    assert look.yes_no(pd.NA) == "could not be observed"
    assert look.score(41.6, 30, 55.2) == "42 (30 to 55)"
