"""What came in: reasons by kind, silent vehicles, lost channels, bounded lists, filters in the address."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
from builders import HOSTILE, PLAIN, build_store
from streamlit.testing.v1 import AppTest

from fleetbrake.reports import reads
from fleetbrake.store import runs
from fleetbrake.store.database import rebuilding, replace_table
from fleetbrake.store.publish import sum_up
from fleetbrake.store.runs import Outcome

OpenPage = Callable[..., AppTest]


def _text(app: AppTest) -> str:
    kinds = (app.header, app.subheader, app.markdown, app.caption, app.text, app.info, app.warning, app.metric)
    return "\n".join(str(item.value) for kind in kinds for item in kind).replace("\\", "")


def _table(app: AppTest, column: str) -> pd.DataFrame:
    """The first table with such a column."""
    return next(frame.value for frame in app.dataframe if column in frame.value)


def test_counts_reasons_and_vehicles(open_page: OpenPage) -> None:
    app = open_page("recordings", "filled")
    shown = {metric.label: metric.value for metric in app.metric}
    assert shown["Rejected"] == "1" and shown["Partly loaded"] == "1" and shown["Files loaded"] == "3"
    assert _table(app, "Why")["Why"].str.contains("time runs backwards at row …").any()
    rates = _table(app, "Wheels (Hz)").set_index("Vehicle")
    assert set(rates.index) == set(PLAIN.vehicles) and rates.loc[PLAIN.vehicles[0], "Speed (Hz)"] == 10.0
    assert "In the register and never recorded (1):" in _text(app)
    assert PLAIN.vehicles[-1] in [text.value for text in app.text]


def test_filters_come_from_the_address(open_page: OpenPage) -> None:
    app = open_page("recordings", "filled", vehicle=PLAIN.vehicles[0], status=["partly loaded"])
    app.multiselect(key="depot").set_value([PLAIN.depots[0]]).run()
    assert set(_table(app, "Wheels (Hz)")["Depot"]) == {PLAIN.depots[0]}
    assert "wheel_speed_1l_mps" in set(_table(app, "Channel")["Channel"])
    assert _table(app, "File")["File"].tolist() == ["recordings/half.parquet"]


def test_a_hostile_vehicle_is_chosen_by_its_address(open_page: OpenPage) -> None:
    for vehicle in HOSTILE.vehicles[:3]:
        app = open_page("recordings", "hostile", vehicle=vehicle)
        assert not app.exception and app.selectbox[0].value == vehicle


def test_silent_vehicles_and_lost_channels_are_told(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    begin = datetime(2026, 1, 1, 8, tzinfo=UTC)
    events = [
        {"event_id": f"{vehicle}-{day}", "vehicle_id": vehicle, "started_at": begin + timedelta(days=day),
         "source_path": f"{vehicle}/{day}"}
        for vehicle, last in (("BUS-011", 27), ("BUS-014", 12)) for day in range(last)
    ]  # fmt: skip
    full = "timestamp,speed_mps,wheel_speed_1l_mps"
    log = [
        {"path": e["source_path"], "status": "loaded", "last_at": e["started_at"], "events": 1,
         "loaded_at": begin + timedelta(days=40),
         "channels": full if e["started_at"] < begin + timedelta(days=20) else "timestamp,speed_mps"}
        for e in events
    ]  # fmt: skip
    with rebuilding(store) as con:
        replace_table(con, "events", pd.DataFrame(events))
        replace_table(con, "ingest_log", pd.DataFrame(log))
        sum_up(con)
    app = open_page("recordings", store)
    silent = _table(app, "Days silent")
    assert silent["Vehicle"].tolist() == ["BUS-014"] and silent["Days silent"].tolist() == [15]
    lost = _table(app, "Channels")
    assert lost[["Vehicle", "Channels"]].to_numpy().tolist() == [["BUS-011", "wheel_speed_1l_mps"]]
    assert "Every file was loaded whole." in _text(app)


def test_a_store_replaced_under_the_page_is_shown_anew(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    app = open_page("recordings", store)
    with rebuilding(store) as con:
        replace_table(con, "ingest_log", reads.recordings(store).query("status == 'loaded'"))
    app.run()
    assert not app.exception and {m.label: m.value for m in app.metric}["Rejected"] == "0"


def test_a_digit_less_drivers_id_is_not_told_to_whom_ids_are_hidden(open_page: OpenPage, tmp_path: Path) -> None:
    """The kind of a problem is called after the veil: "event of driver D-…" would lead back to D-104."""
    from fleetbrake.reports import recording_reads

    found = recording_reads.reasons(build_store(tmp_path))
    assert set(found) == {"files", "rejected", "path", "example", "loaded_at"}, "no text with the digits taken out"


def test_last_runs_are_shown_and_a_killed_one_is_told(open_page: OpenPage, tmp_path: Path) -> None:
    store, now = build_store(tmp_path), datetime.now(UTC)
    assert "Last runs" not in _text(open_page("recordings", store)), "no job has ever run"
    with runs.living(store, "first"):
        runs.begin(store, "first", "nightly", now - timedelta(hours=2), 400)
        summary = {"loaded": 2, "visits": 1, "as_of": "2026-01-05"}
        runs.end(store, "first", now - timedelta(hours=1), Outcome.DONE, 0, summary)
    with runs.living(store, "second"):
        runs.begin(store, "second", "nightly", now, 400)
    app = open_page("recordings", store)
    shown = _table(app, "How it ended")
    assert shown["How it ended"].tolist() == ["killed", "done"] and shown["Took (s)"].tolist()[1] == 3600.0
    assert shown["What it did"][1] == "2 files loaded, 1 visit planned, scored as of 2026-01-05"
    assert "The newest nightly run ended otherwise than planned: killed" in _text(app)


def test_what_is_above_its_usual_and_what_is_gone_is_told(open_page: OpenPage, tmp_path: Path) -> None:
    store = build_store(tmp_path)
    now = datetime(2026, 3, 1, 2, tzinfo=UTC)
    files = [
        {"path": f"in/{v}/{d}.parquet", "status": "rejected" if d == 0 and v < 9 else "loaded", "events": 1,
         "loaded_at": now - timedelta(days=d), "last_at": now - timedelta(days=d, hours=9),
         "channels": "speed_mps" if d < 3 else "speed_mps,brake_pedal_pct"}
        for v in range(20) for d in range(30)
    ]  # fmt: skip
    events = [
        {
            "event_id": file["path"],
            "vehicle_id": f"T{k % 4}",
            "source_path": file["path"],
            "started_at": file["last_at"],
        }
        for k, file in enumerate(files)
    ]
    with rebuilding(store) as con:
        replace_table(con, "ingest_log", pd.DataFrame(files))
        replace_table(con, "events", pd.DataFrame(events))
        replace_table(
            con, "vehicles", pd.DataFrame([(f"T{k}", "N3") for k in range(4)], columns=["vehicle_id", "category"])
        )
        sum_up(con)
    app = open_page("recordings", store)
    assert not app.exception
    whole = _table(app, "Usual share").iloc[0]
    assert (whole["Folder"], whole["Newest files"], whole["Rejected"]) == ("all folders", 20, 9)
    gone = _table(app, "Vehicles that had it").iloc[0]
    assert (gone["Category"], gone["Channel"], gone["… have it now"]) == ("N3", "brake_pedal_pct", 0)
    assert "says nothing good of any of them" in _text(app)
