"""What is unusual about what came in, against counts made by hand and a sum over the binomial distribution."""

from datetime import UTC, datetime, timedelta
from math import comb
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleetbrake.core.record_criteria import DEFAULT_RECORDS
from fleetbrake.reports.unusual_reads import channels_gone, rejected_above_usual, unusual
from fleetbrake.store.database import rebuilding, replace_table
from fleetbrake.store.publish import sum_up

NOW = datetime(2026, 3, 1, 2, tzinfo=UTC)
PEDAL = "event_id,timestamp,vehicle_id,speed_mps,brake_pedal_pct"
PLAIN = PEDAL.removesuffix(",brake_pedal_pct")


def _publish(store: Path, log: pd.DataFrame, events: pd.DataFrame | None = None, categories: object = None) -> Path:
    with rebuilding(store) as con:
        replace_table(con, "ingest_log", log)
        if events is not None:
            replace_table(con, "events", events)
        if categories is not None:
            replace_table(con, "vehicles", pd.DataFrame(categories, columns=["vehicle_id", "category"]))
        sum_up(con)
    return store


def _nights(counts: dict[str, list[tuple[int, int]]]) -> pd.DataFrame:
    """A log: folder -> (files, of them rejected) a night, the last one tonight."""
    first = {folder: NOW - timedelta(days=len(nights) - 1) for folder, nights in counts.items()}
    rows = [
        (f"{folder}/{night}-{k}.parquet", "rejected" if k < bad else "loaded", first[folder] + timedelta(days=night))
        for folder, nights in counts.items()
        for night, (files, bad) in enumerate(nights)
        for k in range(files)
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["path", "status", "loaded_at"]).assign(events=1)


def _drive(vehicle: str, days_ago: float, channels: str) -> tuple[dict[str, object], dict[str, object]]:
    at = NOW - timedelta(days=days_ago, hours=4)
    path = f"{vehicle}/{days_ago:g}.parquet"
    log = {"path": path, "status": "loaded", "events": 1, "loaded_at": NOW, "last_at": at, "channels": channels}
    return log, {"event_id": path, "vehicle_id": vehicle, "source_path": path, "started_at": at}


def _drives(store: Path, made: list[tuple[str, float, str]], categories: dict[str, str]) -> Path:
    log, events = zip(*(_drive(*one) for one in made), strict=True)
    return _publish(store, pd.DataFrame(log), pd.DataFrame(events), list(categories.items()))


def test_a_night_with_more_rejected_files_than_usual(tmp_path: Path) -> None:
    usual = [(40, 1)] * 20
    store = _publish(tmp_path, _nights({"/in/a": [*usual, (40, 12)], "/in/b": [*usual, (40, 1)]}))
    found = rejected_above_usual(store)
    assert found["folder"].isna().tolist() == [True, False] and found["folder"].tolist()[1] == "/in/a"
    assert found["newest_files"].tolist() == [80, 40] and found["newest_rejected"].tolist() == [13, 12]  # tonight alone
    share = (20 + 0.5 + 20 * 40.5 / 1601) / (
        800 + 1 + 20
    )  # of the folder: 20 in 800, with 20 files at the whole's share
    assert found["usual_share"].tolist()[1] == pytest.approx(share, rel=1e-12)
    told = unusual(store).sentences()["rejected /in/a"]
    assert told == "12 of the newest 40 files of /in/a were rejected; usual is 2.6 %."


def test_what_is_usual_is_not_told(tmp_path: Path) -> None:
    """Chance alone: nights of binomial counts, thirty folders; and one or two bad files are no pattern."""
    random = np.random.default_rng(7)
    counts = {f"/in/{k}": [(20, int(random.binomial(20, 0.03))) for _ in range(30)] for k in range(30)}
    assert rejected_above_usual(_publish(tmp_path / "a", _nights(counts))).empty
    assert rejected_above_usual(_publish(tmp_path / "b", _nights({"/in": [(40, 0)] * 9 + [(40, 2)]}))).empty


def test_a_fault_that_rises_slowly_is_told_in_the_end_and_a_first_import_is_not(tmp_path: Path) -> None:
    rising = [(50, 0)] * 20 + [(50, k) for k in range(5)]
    assert len(rejected_above_usual(_publish(tmp_path / "a", _nights({"/in": rising})))) == 2
    assert rejected_above_usual(_publish(tmp_path / "b", _nights({"/in": [(500, 400)]}))).empty
    assert rejected_above_usual(_publish(tmp_path / "c", _nights({}))).empty


def test_the_chance_is_that_of_many_files_before(tmp_path: Path) -> None:
    """With 20,000 files before, the distribution is nearly the binomial one: summed here by hand."""
    store = _publish(tmp_path, _nights({"/in": [(20_000, 2_000), *[(0, 0)] * 9, (30, 13)]}))
    whole = rejected_above_usual(store).iloc[0]
    by_hand = sum(comb(30, k) * 0.1**k * 0.9 ** (30 - k) for k in range(13, 31))
    # how sure the share is: a pair of rejected ones, of 78, is likelier by 1 in 2,000 each
    assert whole["chance"] == pytest.approx(by_hand, rel=0.05) and whole["chance"] > by_hand


def test_a_channel_gone_from_a_category(tmp_path: Path) -> None:
    trucks, vans = [f"T{k}" for k in range(5)], [f"V{k}" for k in range(5)]
    made = [(v, float(d), PEDAL) for v in [*trucks, *vans] for d in range(4, 20)]
    made += [(v, d, PLAIN) for v in trucks for d in (0.0, 1.0)] + [(v, 0.5, PEDAL) for v in vans]
    categories = dict.fromkeys(trucks, "N3") | dict.fromkeys(vans, "N1")
    store = _drives(tmp_path, made, categories)
    found = channels_gone(store)
    assert found[["category", "channel", "vehicles", "still", "newest_files"]].values.tolist() == [
        ["N3", "brake_pedal_pct", 5, 0, 10]
    ]
    assert found["last_at"].iloc[0] == pd.Timestamp(NOW - timedelta(days=4, hours=4))
    sentence = unusual(store).sentences()["gone N3 brake_pedal_pct"]
    assert sentence.startswith("brake_pedal_pct is gone from the recordings of category N3: 5 vehicles had it, 0 have")


@pytest.mark.parametrize(
    ("case", "made"),
    [
        ("half of them still have it", [(f"T{k}", 0.0, PEDAL if k % 2 else PLAIN) for k in range(6)]),
        ("only those drove that never had it", [(f"T{k}", 0.0, PLAIN) for k in range(6, 12)]),
        ("two vehicles are told one by one", [(f"T{k}", 0.0, PLAIN) for k in range(2)]),
        ("nobody drove lately", []),
    ],
)
def test_a_channel_that_is_not_gone(tmp_path: Path, case: str, made: list[tuple[str, float, str]]) -> None:
    before = [(f"T{k}", float(d), PEDAL if k < 6 else PLAIN) for k in range(12) for d in range(4, 20)]
    assert channels_gone(_drives(tmp_path, before + made, {f"T{k}": "N3" for k in range(12)})).empty, case


def test_vehicles_without_a_register_row_and_a_clock_ahead(tmp_path: Path) -> None:
    """Unknown vehicles are a group of their own; one file of the year 2036 does not make all others old."""
    made = [(f"T{k}", float(d), PEDAL) for k in range(4) for d in range(4, 20)]
    made += [(f"T{k}", d, PLAIN) for k in range(4) for d in (0.0, 1.0)] + [("T9", -3650.0, PEDAL)]
    found = channels_gone(_drives(tmp_path, made, {}))
    assert found["channel"].tolist() == ["brake_pedal_pct"] and found["category"].isna().all()


def test_silent_vehicles_are_told_with_their_days(tmp_path: Path) -> None:
    made = [("T1", float(d), PEDAL) for d in range(20, 40)] + [("T2", float(d), PEDAL) for d in range(40)]
    sentences = unusual(_drives(tmp_path, made, {"T1": "N3", "T2": "N3"})).sentences()
    last = (NOW - timedelta(days=20, hours=4)).date()
    assert sentences == {"silent T1": f"Vehicle T1 has sent nothing for 20 days (the last on {last})."}
    assert DEFAULT_RECORDS.silent_least_days < 20
