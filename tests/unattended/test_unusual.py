"""What is unusual goes into the night's line: as a sentence when it is new, in figures every night."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from product_run import Stop, recording

from fleetbrake import pipeline
from fleetbrake.reports.unusual_reads import unusual
from fleetbrake.store.database import rebuilding, replace_table
from fleetbrake.unattended.names import numbered
from tests.unattended.small_fleet import Fleet, make_fleet

#: Recordings of one file lie ten minutes apart.
DAY = 144


@pytest.fixture
def fleet(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Fleet:
    """V1 drove on twenty days, V2 on the first ten of them."""
    monkeypatch.setattr(pipeline, "score", lambda *_, **__: date(2026, 1, 25))
    monkeypatch.setattr(pipeline, "plan", lambda *_: 0)
    made = make_fleet(tmp_path_factory.mktemp("unusual") / "fleet", recordings=False)
    _drives(made, "first", {"V1": range(20), "V2": range(10)})
    return made


def _drives(fleet: Fleet, name: str, days: dict[str, range]) -> None:
    tables = [
        recording(Stop(12.0, 3.0), f"{vehicle}-{day}", vehicle_id=vehicle, rate_hz=20.0, number=DAY * day)
        for vehicle, driven in days.items()
        for day in driven
    ]
    pq.write_table(pa.concat_tables(tables), fleet.folder / "recordings" / f"{name}.parquet")


def _told(facts: dict[str, Any]) -> list[str]:
    return [said for said in facts["warnings"] if "sent nothing" in said or "rejected" in said or "gone" in said]


def test_a_silent_vehicle_is_told_once_and_counted_every_night(fleet: Fleet) -> None:
    status, facts = fleet.facts("nightly")
    assert status == 0, "a warning makes no night a worse one"
    assert _told(facts) == ["Vehicle V2 has sent nothing for 10 days (the last on 2026-01-14)."]
    assert facts["unusual"] == {
        "silent_vehicles": 1, "rejected_above_usual": 0, "channels_gone": 0, "new": 1, "known": ["silent V2"],
    }  # fmt: skip
    _, again = fleet.facts("nightly")
    assert _told(again) == [] and again["unusual"] == facts["unusual"] | {"new": 0}
    _drives(fleet, "second", {"V2": range(19, 20)})
    _, back = fleet.facts("nightly")
    assert _told(back) == [] and back["unusual"]["silent_vehicles"] == 0
    _drives(fleet, "third", {"V1": range(20, 40)})
    _, gone = fleet.facts("nightly")
    assert _told(gone) == ["Vehicle V2 has sent nothing for 20 days (the last on 2026-01-24)."], "it is new again"


def test_a_folder_is_told_by_the_fingerprint_of_its_path(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder may be named after a driver whom no table knows."""
    fleet.facts("nightly")
    now = datetime(2026, 3, 1, tzinfo=UTC)
    rows = [
        (f"/in/Quillfeather/{k}", "rejected" if k < 12 else "loaded", now - timedelta(days=k // 40)) for k in range(800)
    ]
    log = pd.DataFrame(rows, columns=["path", "status", "loaded_at"]).assign(events=1)

    def read(*_: Any, **__: Any) -> None:
        with rebuilding(fleet.store) as con:
            replace_table(con, "ingest_log", log)

    monkeypatch.setattr(pipeline, "ingest", read)
    _, facts = fleet.facts("nightly")
    folder = numbered("/in/Quillfeather").replace("file", "folder")
    assert _told(facts) == [
        "12 of the newest 40 files were rejected; usual is 0.1 %.",
        f"12 of the newest 40 files of {folder} were rejected; usual is 0.1 %.",
    ]
    assert "Quillfeather" not in str(facts) and facts["unusual"]["rejected_above_usual"] == 2
    assert "rejected /in/Quillfeather" in unusual(fleet.store).sentences(), "the page names it"


def test_no_more_is_told_than_a_line_can_hold(fleet: Fleet) -> None:
    _drives(fleet, "more", {f"W{k:02d}": range(8) for k in range(30)})
    _, facts = fleet.facts("nightly")
    told = [
        said for said in facts["warnings"] if "silent" in said or "sent nothing" in said or "more that are new" in said
    ]
    assert facts["unusual"]["new"] == 31 == len(facts["unusual"]["known"])
    assert len(told) <= 20 and len(facts["warnings"]) <= 20
