"""Publishing, one event that several files tell: cut files, files written twice, drives that go on; incidents."""

from pathlib import Path

from store_rows import at, column, event, ingest, publish, rows, wheel


def test_an_id_in_two_cut_files_is_kept_from_the_first_path_and_told_of_the_other(tmp_path: Path) -> None:
    ingest(
        tmp_path, "b", [event("e", samples=900), event("f", started_at=at(90))], [wheel("e", "1R"), wheel("f", "1L")]
    )
    ingest(tmp_path, "a", [event("e", samples=100)], [wheel("e", "1L")])
    publish(tmp_path)
    assert rows(tmp_path, "SELECT event_id, source_path, samples FROM events ORDER BY ALL") == [
        ("e", "a", 100),
        ("f", "b", 400),
    ]
    assert rows(tmp_path, "SELECT event_id, wheel FROM event_wheels ORDER BY ALL") == [("e", "1L"), ("f", "1L")]
    first, second = rows(tmp_path, "SELECT path, status, events, events_rejected, reason FROM ingest_log")
    assert first == ("a", "loaded", 1, 0, None)
    assert second[:4] == ("b", "partly_loaded", 1, 1)
    assert "already in another file (a)" in second[4]


#: seconds apart, samples of both, expected; each of a vehicle of its own, in two files
ONSETS = [(0.5, (400, 400), "x"), (0.5, (400, 401), "y"), (0.0, (400, 400), "x"), (0.500001, (400, 400), "xy")]


def test_continuous_onsets_within_half_a_second_are_one_event(tmp_path: Path) -> None:
    kept = [f"{number}{name}" for number, (_, _, names) in enumerate(ONSETS) for name in names]
    for number, (apart, (first, second), _) in enumerate(ONSETS):
        of, x, y = {"vehicle_id": f"van-{number}", "continuous": True}, f"{number}x", f"{number}y"
        # the second file's window begins a second earlier: only the onset counts
        late = event(y, started_at=at(-1), onset_s=3.0 + apart, samples=second, **of)
        ingest(tmp_path, f"{number} 2", [late], [wheel(y, "1L", vehicle_id=f"van-{number}")])
        early = wheel(x, "1L", vehicle_id=f"van-{number}")
        ingest(tmp_path, f"{number} 1", [event(x, samples=first, **of)], [early])
    publish(tmp_path)
    assert column(tmp_path, "event_id") == kept
    assert column(tmp_path, "event_id", "event_wheels") == kept
    log = rows(tmp_path, "SELECT path, status, events, events_rejected FROM ingest_log")
    assert {row[1] for row in log} == {"loaded"} and sum(row[3] for row in log) == 0
    for number, (_, _, names) in enumerate(ONSETS):
        assert sum(row[2] for row in log if row[0].startswith(f"{number} ")) == len(names)


#: begin of the second file, expected; each of a vehicle of its own
SPLIT = [(4.0, "x"), (5.9, "x"), (6.1, "xy")]


def test_a_drive_split_while_braking_is_one_event(tmp_path: Path) -> None:
    """The first file ends 3 s after the onset at 2 s; a pause of up to 1 s is merged, as when a drive is cut."""
    for number, (begins, _) in enumerate(SPLIT):
        of = {"vehicle_id": f"van-{number}", "continuous": True}
        ingest(tmp_path, f"{number} b", [event(f"{number}x", end_s=5.0, samples=200, **of)])
        late = event(f"{number}y", started_at=at(begins), onset_s=0.0, end_s=9.0, samples=900, **of)
        ingest(tmp_path, f"{number} a", [late])
    publish(tmp_path)
    # the one that saw the onset, not the longer one
    assert column(tmp_path, "event_id") == [
        f"{number}{name}" for number, (_, names) in enumerate(SPLIT) for name in names
    ]


def test_merging_is_for_one_vehicle_and_continuous_recordings(tmp_path: Path) -> None:
    ingest(
        tmp_path,
        "a",
        [
            event("cut1"),
            event("cut2"),
            event("v1", continuous=True),
            event("v2", vehicle_id="van-2", continuous=True),
        ],
    )
    publish(tmp_path)
    assert column(tmp_path, "event_id") == ["cut1", "cut2", "v1", "v2"]


def test_merging_is_not_upset_by_another_vehicle_in_between(tmp_path: Path) -> None:
    given = {"x": ("van-1", 0.0), "z": ("van-2", 0.2), "y": ("van-1", 0.4)}
    for name, (vehicle, seconds) in given.items():
        ingest(tmp_path, name, [event(name, vehicle_id=vehicle, started_at=at(seconds), continuous=True)])
    publish(tmp_path)
    assert column(tmp_path, "event_id") == ["x", "z"]


def test_the_same_drive_in_two_files_gives_each_event_once(tmp_path: Path) -> None:
    drive = [event(f"e{i}", started_at=at(100 * i), continuous=True) for i in range(3)]
    ingest(tmp_path, "b", drive)
    ingest(tmp_path, "a", drive)
    publish(tmp_path)
    assert rows(tmp_path, "SELECT event_id, source_path FROM events ORDER BY ALL") == [(f"e{i}", "a") for i in range(3)]


# --- incidents


def test_incidents_chain_events_within_a_minute_of_driver_or_vehicle(tmp_path: Path) -> None:
    times = {"a": 0.0, "b": 60.0, "c": 120.0, "d": 180.001, "e": 1000.0}
    given = [event(name, started_at=at(seconds), driver_id="d1") for name, seconds in times.items()]
    other_vehicle = event("f", started_at=at(1030), driver_id="d1", vehicle_id="van-2")
    no_driver = [event("g", started_at=at(0)), event("h", started_at=at(10)), event("i", started_at=at(500))]
    namesake = event("j", started_at=at(5), driver_id="van-1")
    ingest(tmp_path, "p", [*given, other_vehicle, *no_driver, namesake])
    publish(tmp_path)
    assert column(tmp_path, "incident") == [1, 1, 1, 2, 3, 3, 1, 1, 2, 1]
