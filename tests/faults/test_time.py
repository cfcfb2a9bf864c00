"""Wrong clocks, rare days, zones, and vehicles whose id changed: nothing is lost, doubled or misread."""

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from faults.older_stores import write_inputs
from faults.time_clock import clock
from faults.time_trials import WRONG, clock_trial, good_nights
from faults.time_world import NOW, day_on, differs, stop_of, world

from fleetbrake import handing_out, pipeline
from fleetbrake.core.errors import StoreError
from fleetbrake.planning.calendar import plan_days
from fleetbrake.recordings.registers import read_registers
from fleetbrake.reports import month_reads
from fleetbrake.reports.monthly.month_data import period
from fleetbrake.store.ageing.retention import months_before
from fleetbrake.store.database import reading
from fleetbrake.store.log import read_log
from fleetbrake.store.log_writing import commit_log

#: Summer time ends and begins in central Europe within these drives (01:00 UTC).
CHANGES = (datetime(2026, 10, 25, 0, 59, 57, tzinfo=UTC), datetime(2026, 3, 29, 0, 59, 57, tzinfo=UTC))


def _asked(store: Path, sql: str) -> list[tuple[Any, ...]]:
    with reading(store) as con:
        return con.execute(sql).fetchall()


def _written(folder: Path, **tables: pa.Table) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        pq.write_table(table, folder / f"{name}.parquet")
    return folder


# --- clocks -------------------------------------------------------------------------------------------------------


def test_a_night_under_a_wrong_clock_leaves_nothing_behind(tmp_path: Path) -> None:
    """One a lifetime ahead; a machine without a battery below, and forty in the long form."""
    assert clock_trial(*good_nights(tmp_path), WRONG[1]) is None


def test_no_score_is_made_of_a_day_before_every_recording(tmp_path: Path) -> None:
    """Every vehicle would be "too little evidence" by a clock at its beginning, and the pages would show it."""
    recordings, registers = write_inputs(tmp_path)
    store = tmp_path / "store"
    with clock(WRONG[0]):
        done = pipeline.ingest([recordings], store, registers=registers)
        assert done.loaded == 2 and any("is this machine's clock right?" in note for note in done.notes)
        with pytest.raises(StoreError, match="set the clock, or give the day"):
            pipeline.score(store)
    assert _asked(store, "SELECT count(*) FROM vehicle_health") == [(0,)]


def test_a_reading_of_a_time_yet_to_come_vouches_for_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read under a clock ahead, then changed to the same size and time of change: the bytes are looked at."""
    monkeypatch.setattr(handing_out, "CLOCK_TICK_NS", 0)
    folder = _written(tmp_path / "recordings", a=stop_of("V1", "a", NOW))
    with clock(datetime.now(UTC) + timedelta(days=20_000)):
        pipeline.ingest([folder], tmp_path / "store")
    path = folder / "a.parquet"
    facts, other = path.stat(), bytearray(path.read_bytes())
    changed = stop_of("V1", "b", NOW)  # as long, letter by letter
    pq.write_table(changed, path)
    assert path.stat().st_size == facts.st_size and path.read_bytes() != bytes(other)
    os.utime(path, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert pipeline.ingest([folder], tmp_path / "store").loaded == 1
    assert _asked(tmp_path / "store", "SELECT event_id FROM events") == [("b",)]


def test_one_reading_under_a_clock_ahead_does_not_let_the_future_count(tmp_path: Path) -> None:
    """Else one recorder whose clock is years ahead makes all others silent from then on."""
    recordings, registers = write_inputs(tmp_path)
    store = tmp_path / "store"
    _written(recordings, ahead=stop_of("V3", "ahead", datetime.now(UTC) + timedelta(days=3650)))
    with clock(NOW):
        pipeline.ingest([recordings], store, registers=registers)
    log = read_log(store)
    first = next(iter(log))
    commit_log(store, [first.__class__(**{**vars(first), "loaded_at": datetime.now(UTC) + timedelta(days=9000)})])
    pipeline.ingest([], store, registers=registers)
    assert _asked(store, "SELECT DISTINCT newest_on FROM recording_facts") == [(date(2026, 1, 5),)]


# --- recordings of other times ------------------------------------------------------------------------------------


def test_one_recorder_ten_years_ahead_moves_nobody_elses_day(tmp_path: Path) -> None:
    made = world(tmp_path / "fleet")
    made.add("V3", "ahead", day_on(3650))
    made.add("V4", "tomorrow", day_on(1))
    status, facts = made.night(NOW)
    assert (status, facts["as_of"]) == (0, "2026-01-05")
    note = next(one for one in facts["warnings"] if "dated after today" in one)
    assert "2 events of 2 vehicles (V3, V4)" in note and "2036-01-04" in note and "clocks of these recorders" in note
    assert _asked(made.store, "SELECT vehicle_id FROM recording_facts WHERE silent") == []
    assert _asked(made.store, "SELECT DISTINCT newest_on FROM recording_facts") == [(date(2026, 1, 5),)]
    starts = _asked(made.store, "SELECT min(planned_on) >= DATE '2026-01-06', max(planned_on) < DATE '2026-01-20' "
                    "FROM inspection_plan")  # fmt: skip
    assert starts == [(True, True)]
    months = month_reads.months(made.store)
    assert months == ["2036-01", "2026-01"] and month_reads.newest_begun(months, NOW.date()) == "2026-01"


#: Kind of stamp, its first value, and what the log says.
_IMPOSSIBLE = {
    "unset": ("us", 0, "in the year 1970"),
    "before": ("ms", -1000, "in the year 1969"),
    "year_1": ("s", -62_135_596_800, "in the year 1:"),
    "last_ns": ("ns", 2**63 - 10**11, "in the year 2262"),
    "year_9999": ("ms", 253_402_300_799_000, "in the year 9999"),
    "later": ("s", 10**12, "after the year 9999"),
}


def test_recordings_of_an_impossible_year_are_rejected_with_the_year(tmp_path: Path) -> None:
    ticks = {"s": 1, "ms": 1000, "us": 10**6, "ns": 10**9}
    folder = _written(tmp_path / "recordings", good=stop_of("V1", "good", NOW))
    for name, (unit, first, _) in _IMPOSSIBLE.items():
        table = stop_of("V2", name, NOW)
        stamps = first + np.arange(table.num_rows) * max(1, ticks[unit] // 50)
        odd = pa.array(stamps, pa.int64()).cast(pa.timestamp(unit, tz="UTC"))
        _written(folder, **{name: table.set_column(table.schema.get_field_index("timestamp"), "timestamp", odd)})
    done = pipeline.ingest([folder], tmp_path / "store")
    assert (done.loaded, done.rejected) == (1, len(_IMPOSSIBLE))
    for name, (_, _, told) in _IMPOSSIBLE.items():
        (said,) = [one for one in done.problems if f"{name}.parquet" in one]
        assert told in said and "is the unit right?" in said, said


# --- zones and summer time ------------------------------------------------------------------------------------------


def test_the_same_drive_told_in_other_zones_is_the_same(tmp_path: Path) -> None:
    """Cut recordings over both changes of summer time, a vehicle for each way to write the stamps."""
    zones: dict[str, str | None] = {
        "a": "UTC", "b": "Europe/Berlin", "c": "America/New_York", "d": "+05:45", "e": "Australia/Lord_Howe", "f": None,
    }  # fmt: skip
    for change in CHANGES:
        for name, zone in zones.items():
            event = f"{name}-{change:%m}"
            _written(tmp_path / "in", **{event: stop_of(name, event, change, zone=zone)})
            if zone:
                precise = stop_of(name + "ns", event + "ns", change, zone=zone)
                stamps = precise.column("timestamp").cast(pa.timestamp("ns", tz=zone))
                place = precise.schema.get_field_index("timestamp")
                _written(tmp_path / "in", **{event + "ns": precise.set_column(place, "timestamp", stamps)})
    pipeline.ingest([tmp_path / "in"], tmp_path / "store")
    told = "started_at, samples, round(braking_distance_m, 9), round(peak_decel_mps2, 9), round(braking_s, 9)"
    found = _asked(tmp_path / "store", f"SELECT {told}, count(*) FROM events GROUP BY ALL ORDER BY started_at")
    assert [(row[0], row[-1]) for row in found] == [(at.astimezone(UTC), 11) for at in sorted(CHANGES)]


def test_ids_of_a_drive_do_not_follow_from_its_zone(tmp_path: Path) -> None:
    ids = {}
    for name, zone in (("utc", "UTC"), ("local", "Europe/Berlin")):
        drive = stop_of("V1", "x", CHANGES[0], zone=zone).drop_columns(["event_id"])
        pipeline.ingest([_written(tmp_path / name, drive=drive)], tmp_path / f"store-{name}")
        ids[name] = _asked(tmp_path / f"store-{name}", "SELECT event_id, started_at FROM events")
    mapping = tmp_path / "counted.toml"
    counted = stop_of("V1", "x", CHANGES[0]).drop_columns(["event_id"])
    seconds = counted.column("timestamp").cast(pa.int64()).to_numpy() / 1e6
    place = counted.schema.get_field_index("timestamp")
    mapping.write_text(
        '[columns]\nvehicle_id = "vehicle_id"\nspeed_mps = "speed_mps"\nbrake_pedal_pct = "brake_pedal_pct"\n'
        'timestamp = { source = "t", unit = "s", start = "1970-01-01T02:00:00+02:00" }\n', encoding="utf-8",
    )  # fmt: skip
    folder = _written(tmp_path / "counted", drive=counted.set_column(place, "t", pa.array(seconds)))
    pipeline.ingest([folder], tmp_path / "store-counted", mapping=str(mapping))
    ids["counted"] = _asked(tmp_path / "store-counted", "SELECT event_id, started_at FROM events")
    assert len(ids["utc"]) == 1 and all(one == ids["utc"] for one in ids.values()), ids


def test_local_time_without_a_zone_is_refused_where_it_shows(tmp_path: Path) -> None:
    """In autumn it runs back by an hour; in spring it leaves a gap, which is marked and no part of the braking."""
    back, gap = (_local(change) for change in CHANGES)
    done = pipeline.ingest([_written(tmp_path / "in", back=back, gap=gap)], tmp_path / "store")
    (told,) = done.problems
    assert "back.parquet" in told and "runs backwards" in told and "UTC, which has no summer time" in told
    ((event, notes),) = _asked(tmp_path / "store", "SELECT event_id, notes FROM events")
    assert event == "gap" and "rows are missing for 3600" in notes


def _local(change: datetime) -> pa.Table:
    """A stop with the stamps that a clock on central European time shows, without the zone."""
    name = "back" if change == CHANGES[0] else "gap"
    table = stop_of("V1", name, change)
    shown = table.column("timestamp").to_pandas().dt.tz_convert("Europe/Berlin").dt.tz_localize(None)
    place = table.schema.get_field_index("timestamp")
    return table.set_column(place, "timestamp", pa.array(shown, pa.timestamp("us")))


# --- rare days ------------------------------------------------------------------------------------------------------


def test_leap_days(tmp_path: Path) -> None:
    assert (period("2028-02").last_day, period("2027-02").last_day) == (date(2028, 2, 29), date(2027, 2, 28))
    assert months_before(date(2028, 3, 31), 1) == date(2028, 2, 29) and months_before(date(2027, 3, 30), 1).day == 28
    assert months_before(date(2028, 2, 29), 12) == date(2027, 2, 28)
    assert date(2028, 2, 29) in plan_days(date(2028, 2, 20), 14) and plan_days(date(2028, 2, 29), 2)[1].day == 1
    rows = "vehicle_id,category,inspection_due_on\nA,M1,2028-02-29\nB,M1,2027-02-29\nC,M1,2028-12-31T23:59:60\n"
    (tmp_path / "registers").mkdir()
    (tmp_path / "registers" / "vehicles.csv").write_text(rows, encoding="utf-8")
    tables, problems = read_registers(tmp_path / "registers")
    assert tables["vehicles"].column("vehicle_id").to_pylist() == ["A"]
    assert ["row 3" in problems[0], "row 4" in problems[1]] == [True, True] and "must be a date" in problems[0]
    recordings = {
        f"e{at:%m%d}": stop_of("A", f"e{at:%m%d}", at)
        for at in (datetime(2024, 2, 29, 23, 59, 57, tzinfo=UTC), datetime(2024, 12, 31, 23, 59, 57, tzinfo=UTC))
    }
    pipeline.ingest([_written(tmp_path / "in", **recordings)], tmp_path / "store", registers=tmp_path / "registers")
    months = _asked(tmp_path / "store", "SELECT month, sum(events) FROM month_figures GROUP BY month ORDER BY month")
    assert months == [("2024-02", 1), ("2024-12", 1)]  # by the first sample, as every other figure


# --- a vehicle renamed ----------------------------------------------------------------------------------------------


def _recorded(vehicle: str, days: range) -> dict[str, pa.Table]:
    return {
        f"{vehicle.strip()}-{day}": stop_of(vehicle, f"{vehicle.strip()}-{day}", NOW - timedelta(days=60 - day))
        for day in days
    }


def test_a_vehicle_with_a_new_id_starts_without_history_and_the_old_one_is_silent(tmp_path: Path) -> None:
    """The store cannot know that they are one; what it must do is tell both ends and count nothing twice."""
    folder = _written(tmp_path / "in", **_recorded("OLD-1", range(4)), **_recorded("NEW-1", range(50, 58)))
    registers = _register(tmp_path, "OLD-1", "NEW-1")
    with clock(NOW):
        pipeline.ingest([folder], tmp_path / "store", registers=registers)
    facts = "SELECT vehicle_id, events, silent FROM recording_facts ORDER BY vehicle_id"
    assert _asked(tmp_path / "store", facts) == [("NEW-1", 8, False), ("OLD-1", 4, True)]
    # the old recordings, written again under the new id: their rows are replaced, none is there twice
    with clock(NOW):
        names = {f"OLD-1-{day}": NOW - timedelta(days=60 - day) for day in range(4)}
        renamed = {name: stop_of("NEW-1", name, at) for name, at in names.items()}
        assert pipeline.ingest([_written(folder, **renamed)], tmp_path / "store").loaded == 4
    assert _asked(tmp_path / "store", facts) == [("NEW-1", 12, False), ("OLD-1", 0, None)]


def test_the_same_recordings_once_more_under_another_id_are_told(tmp_path: Path) -> None:
    folder = _written(tmp_path / "in", a=stop_of("OLD-1", "stop", NOW), b=stop_of("NEW-1", "stop", NOW))
    done = pipeline.ingest([folder], tmp_path / "store", registers=_register(tmp_path, "OLD-1", "NEW-1"))
    assert _asked(tmp_path / "store", "SELECT event_id, vehicle_id FROM events") == [("stop", "OLD-1")]
    assert any("b.parquet" in one for one in done.problems)


def test_an_id_that_differs_by_case_or_blanks_is_told(tmp_path: Path) -> None:
    folder = _written(tmp_path / "in", **_recorded("bus 7", range(1)), **_recorded(" BUS-8 ", range(1)))
    done = pipeline.ingest([folder], tmp_path / "store", registers=_register(tmp_path, "BUS-7", "BUS-8", "BUS-9"))
    assert len(done.unknown_vehicles) == len([one for one in done.notes if "is written almost like" in one])
    assert any("'bus 7'" in one and "'BUS-7'" in one for one in done.notes)


def _register(folder: Path, *vehicles: str) -> Path:
    (folder / "registers").mkdir(exist_ok=True)
    rows = [{"vehicle_id": name, "category": "M3", "depot": "North"} for name in vehicles]
    pd.DataFrame(rows).to_csv(folder / "registers" / "vehicles.csv", index=False)
    return folder / "registers"


def test_the_trials_would_tell() -> None:
    """What they look for is found where the product does it: tables that differ, and a moment that is not heeded."""
    assert differs({"events": [("a",)]}, {"events": [("b",)]}) == ["events"]
    with clock(WRONG[0]):
        assert pipeline.this_day() == date(1970, 1, 1)
    assert pipeline.this_day() > date(2026, 1, 1)
