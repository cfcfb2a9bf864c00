"""Samples read back from recordings: whole, gone, changed, damaged."""

from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest
from builder_samples import RATE_HZ
from builders import PLAIN, build_store

from fleetbrake.core.errors import InputError
from fleetbrake.features.build import features
from fleetbrake.recordings import remote
from fleetbrake.recordings.reader import open_recording
from fleetbrake.recordings.sources import Facts, Source
from fleetbrake.reports import traces
from fleetbrake.store.database import rebuilding

LOCKED = f"{PLAIN.vehicles[0]}/locked-0"


def test_the_rows_are_the_events_own(store: Path) -> None:
    found = traces.event_traces(store, LOCKED)
    assert found is not None and found.problem == ""
    # 7 s at 100 Hz from 18 m/s; four wheels
    assert len(found.vehicle) == 700 and len(found.wheels) == 4 * 700
    assert found.vehicle["time_s"].iloc[0] == 0.0
    assert found.vehicle["time_s"].iloc[-1] == pytest.approx(699 / RATE_HZ, abs=1e-6)  # stamps are in microseconds
    # noise-free samples: the smoother may round by its own band only
    first = found.vehicle.iloc[0]
    assert first["low_mps"] <= 18.0 <= first["high_mps"] and first["speed_mps"] == pytest.approx(18.0, abs=0.1)


def test_slip_is_that_of_the_built_lockup(store: Path) -> None:
    found = traces.event_traces(store, LOCKED)
    assert found is not None
    front_left = found.slip[found.slip["wheel"] == "1L"]
    locked = front_left[front_left["slip"] == 1.0]["time_s"]
    # built: locked from 2.5 s to 3.5 s; one sample of play at the edges
    assert locked.min() == pytest.approx(2.5, abs=1.01 / RATE_HZ) and locked.max() == pytest.approx(
        3.5, abs=1.01 / RATE_HZ
    )
    assert (found.slip[found.slip["wheel"] == "2R"]["slip"].dropna() < 0.2).all()


def test_spans_are_the_tools_own_judgement(store: Path) -> None:
    locked = traces.event_traces(store, LOCKED)
    assert locked is not None
    ((wheel, begin, end, kind),) = locked.spans[["wheel", "start_s", "stop_s", "kind"]].itertuples(index=False)
    # built: locked from 2.5 s to 3.5 s
    assert (wheel, kind) == ("1L", "lockup")
    assert (begin, end) == pytest.approx((2.5, 3.5), abs=1.01 / RATE_HZ)
    cycling = traces.event_traces(store, f"{PLAIN.vehicles[0]}/modulated-0")
    assert cycling is not None
    assert set(cycling.spans["wheel"]) == {"1L", "1R", "2L", "2R"} and set(cycling.spans["kind"]) <= {
        "modulation",
        "near_miss",
    }
    cycles = cycling.spans[cycling.spans["kind"] == "modulation"]
    assert set(cycles["wheel"]) == {"1L", "1R", "2L", "2R"} and (cycles["cycles"] >= 2).all()
    caught = cycling.spans[cycling.spans["kind"] == "near_miss"]
    row = traces.reads.event(store, cycling.event_id)
    assert row is not None
    table = features(traces.load_event(store, row)).wheels.to_pandas().set_index("wheel")
    # the same steps count and show them: as many spans as the table counts, none deeper than its deepest
    for wheel, spans in caught.groupby("wheel"):
        assert len(spans) == table.loc[wheel, "near_lockups"]
        assert spans["slip"].max() == pytest.approx(table.loc[wheel, "near_lockup_slip"])


def test_friction_pairs_know_their_time(store: Path) -> None:
    found = traces.event_traces(store, f"{PLAIN.vehicles[0]}/plain-0")
    assert found is not None
    pairs = found.friction[found.friction["part"] == "pair"]
    # built: braked from 2.0 s to 5.1 s; a pair is the mean of a tenth of a second, a sample of play
    assert len(pairs) > 10 and pairs["start_s"].min() >= 1.9 and pairs["stop_s"].max() <= 5.2
    assert (pairs["stop_s"] - pairs["start_s"]).between(0.08, 0.15).all()
    assert found.place.empty, "no position was recorded"


def test_positions_are_read_where_both_were_recorded(tmp_path: Path) -> None:
    store = build_store(tmp_path)
    path = store / "recordings" / "day-0.parquet"
    rows = pq.read_table(path).to_pandas()
    rows["latitude_deg"], rows["longitude_deg"] = 47.0, 8.0
    rows.loc[rows.index % 100 != 0, "longitude_deg"] = None
    rows.to_parquet(path, row_group_size=500)
    found = traces.event_traces(store, LOCKED)
    assert found is not None and not found.problem
    assert len(found.place) == 7 and set(found.place["longitude_deg"]) == {8.0}


def test_rows_across_row_groups_read_right(store: Path) -> None:
    path = store / "recordings" / "day-0.parquet"
    whole = pq.read_table(path).to_pandas()
    assert pq.ParquetFile(path).metadata.num_row_groups > 2
    recording = open_recording(path)
    for start, stop in ((0, 3), (498, 503), (500, 700), (700, 1400), (len(whole) - 5, len(whole))):
        batch = recording.rows(start, stop)
        assert batch.channel("speed_mps").tolist() == whole["speed_mps"].iloc[start:stop].tolist()
        assert (batch.row_start[0], batch.row_stop[0]) == (start, stop)
    with pytest.raises(InputError):
        recording.rows(690, 710)  # two events


def test_no_such_event_is_none(store: Path) -> None:
    assert traces.event_traces(store, "no such event") is None


def test_a_vanished_recording_is_a_sentence(store: Path) -> None:
    gone = traces.reads.frame(store, "SELECT event_id FROM events WHERE source_path LIKE '%no-longer%' LIMIT 1")
    found = traces.event_traces(store, gone["event_id"].iloc[0])
    assert found is not None and "no longer" in found.problem and found.wheels.empty


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (PermissionError("no"), "cannot be read now: the object store denies it"),
        (OSError("curlCode: 7"), "cannot be read now: the connection was broken"),
        (FileNotFoundError("no"), "is no longer where it was read from"),
    ],
)
def test_an_object_store_that_denies_or_is_silent_has_not_lost_the_recording(
    store: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, said: str
) -> None:
    def asked(source: Source) -> Facts:
        return remote.tried(source.address, "cannot be read", fails)

    def fails() -> Facts:
        raise error

    monkeypatch.setattr(Source, "stat", asked)
    monkeypatch.setattr(remote, "FIRST_PAUSE_S", 0.0)
    with pytest.raises(traces.Unreadable, match=said):
        traces.load_event(store, {"source_path": "s3://bucket/r.parquet", "row_start": 0, "row_stop": 1})


def _damage_other_rows(path: Path) -> None:
    table = pq.read_table(path)
    pq.write_table(table.slice(100), path)


def _damage_cut_off(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:2000])


def _damage_fewer_rows(path: Path) -> None:
    pq.write_table(pq.read_table(path).slice(0, 30), path)


def _damage_text(path: Path) -> None:
    table = pq.read_table(path).to_pandas()
    table["speed_mps"] = "fast"
    table.to_parquet(path)


def _damage_no_time(path: Path) -> None:
    pq.write_table(pq.read_table(path).drop_columns(["timestamp"]), path)


def _damage_other_time(path: Path) -> None:
    table = pq.read_table(path).to_pandas()
    table["timestamp"] += pd.Timedelta(seconds=1)
    table.to_parquet(path)


@pytest.mark.parametrize(
    "damage",
    [_damage_other_rows, _damage_cut_off, _damage_fewer_rows, _damage_text, _damage_no_time, _damage_other_time],
)
def test_a_changed_recording_is_a_sentence(tmp_path: Path, damage) -> None:  # type: ignore[no-untyped-def]
    store = build_store(tmp_path)
    damage(store / "recordings" / "day-0.parquet")
    found = traces.event_traces(store, LOCKED)
    assert found is not None and found.problem.endswith((".", "more."))
    assert found.vehicle.empty and len(found.spans) == 1  # what the tables know is still there


def test_a_relative_path_is_looked_for_under_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = build_store(tmp_path / "store")
    with rebuilding(store) as con:
        con.execute("UPDATE events SET source_path = 'recordings/day-0.parquet' WHERE event_id = ?", [LOCKED])
    monkeypatch.chdir(tmp_path)
    found = traces.event_traces(store, LOCKED)
    assert found is not None and found.problem == "" and len(found.vehicle) == 700
