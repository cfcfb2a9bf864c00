"""A forgotten driver whose id comes back written a little differently, or stands within longer words."""

import shutil
from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
import pytest
from everywhere import places_of
from forget_made import ask, drive
from pyarrow import parquet as pq
from typer.testing import CliRunner

from fleetbrake import pipeline
from fleetbrake.cli import app
from fleetbrake.core.errors import InputError
from fleetbrake.reports import reads
from fleetbrake.reports.raw_rows import raw_rows
from fleetbrake.reports.traces import load_event
from fleetbrake.store.findings import Taken, import_findings
from fleetbrake.store.log import read_log
from fleetbrake.upkeep import forget_driver, hold, release_hold

DRIVER, OTHER = "D77QX", "KEEPME-9"
WHO = {"reason": "collision", "by": "A. Clerk"}
ALIKE = (f" {DRIVER} ", f"{DRIVER}\n", "d77qx", "\uff2477\uff31\uff38", f"{DRIVER};{OTHER}")


def _fleet(folder: Path) -> Path:
    """Recordings of two drivers: names of events, trips and files of the one hold his id within longer words."""
    recordings, registers = folder / "recordings", folder / "registers"
    (recordings / f"own{DRIVER}x").mkdir(parents=True)
    registers.mkdir()
    own = [drive(DRIVER, "V1", [f"evt{DRIVER}x-1", "plain"])]
    pq.write_table(pa.concat_tables(own), recordings / f"own{DRIVER}x" / "a.parquet")
    pq.write_table(drive(OTHER, "V2", ["o-1", "o-2"]), recordings / "b.parquet")
    (recordings / f"bad {DRIVER}.parquet").write_bytes(b"no Parquet")
    trips = "trip_id,vehicle_id,driver_id,started_at,ended_at,distance_km"
    day = "2026-01-01T00:00:00Z,2026-12-31T00:00:00Z"
    (registers / "trips.csv").write_text(f"{trips}\nT{DRIVER}x,V1,{DRIVER},{day},60\nT2,V2,{OTHER},{day},60\n")
    (registers / "drivers.csv").write_text(f"driver_id,depot\n{DRIVER},North\n{OTHER},North\n")
    (registers / "defect_reports.csv").write_text(
        f"vehicle_id,reported_at,text,severity\nV1,2026-01-02T00:00:00Z,see evt{DRIVER}x-1,1\n"
    )
    pipeline.ingest([recordings], folder / "store", registers=registers)
    return folder / "store"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _fleet(tmp_path_factory.mktemp("alike"))


@pytest.fixture
def store(whole: Path, tmp_path: Path) -> Path:
    shutil.copytree(whole, tmp_path / "store")
    return tmp_path / "store"


def test_within_longer_words_of_his_own_rows_it_goes_and_stays_gone(whole: Path, store: Path, tmp_path: Path) -> None:
    done = forget_driver(store, DRIVER)
    assert done.complete and done.perhaps == () and places_of(store, DRIVER) == []
    events = ask(store, "SELECT event_id, trip_id, source_path, driver_id FROM events ORDER BY vehicle_id, event_id")
    assert len({row[0] for row in events}) == 4 and [row[3] for row in events] == [None, None, OTHER, OTHER]
    assert ask(store, "SELECT count(*) FROM events SEMI JOIN event_wheels USING (event_id)") == [(4,)]
    # pages still find the rows in a recording that can be read, and show them without the id
    shutil.copy(next((whole.parent / "recordings").glob("own*/a.parquet")), tmp_path / "a.parquet")
    row = reads.event(store, next(row[0] for row in events if row[3] is None and row[0] != "plain"))
    assert row is not None
    row["source_path"] = str(tmp_path / "a.parquet")
    shown = raw_rows(store, row, drivers=True)
    assert len(shown) and DRIVER not in str(shown.to_dict())
    assert load_event(store, row).events == 1
    again = pipeline.ingest([whole.parent / "recordings"], store, registers=whole.parent / "registers")
    assert (again.unchanged, again.loaded) == (2, 0)
    # the path of a rejected file has one word, in the log and in its sentence
    entry = next(one for one in read_log(store) if one.status == "rejected")
    assert entry.reason is not None and entry.path in entry.reason
    assert len(again.problems) == 1 and again.problems[0].count("forgotten") == 1
    # a lost log, or a copy of the file elsewhere: read anew, the same names again
    (store / "lake" / "log.parquet").unlink()
    pipeline.ingest([whole.parent / "recordings"], store)
    assert places_of(store / "lake", DRIVER) == []
    assert (
        ask(store, "SELECT event_id, trip_id, source_path, driver_id FROM events ORDER BY vehicle_id, event_id")
        == events
    )


def test_written_differently_it_is_withheld_and_told(whole: Path, store: Path, tmp_path: Path) -> None:
    forget_driver(store, DRIVER)
    more = tmp_path / "more"
    more.mkdir()
    tables = [drive(cell, "V3", [f"n-{k}"], hour=k) for k, cell in enumerate(ALIKE, start=1)]
    for k, table in enumerate(tables):
        pq.write_table(table, more / f"{k}.parquet")
    (more / "drivers.csv").write_text(f"driver_id,depot\n{DRIVER.lower()},North\n")
    done = CliRunner().invoke(app, ["ingest", str(more), "--registers", str(more), "--store", str(store)])
    told = " ".join(done.stderr.split())
    withheld = [cell for cell in ALIKE if cell.strip() != DRIVER]  # with blanks around it, it is the very id
    assert done.exit_code == 0 and f"{len(withheld) + 1} events or rows of registers name a driver" in told
    assert ask(store, "SELECT DISTINCT driver_id FROM events WHERE vehicle_id = 'V3'") == [(None,)]
    assert ask(store, "SELECT driver_id FROM drivers") == [(OTHER,)]
    assert places_of(store, DRIVER, *ALIKE[3:4]) == []


def test_two_ids_alike_are_forgotten_together_or_not_at_all(store: Path, tmp_path: Path) -> None:
    (tmp_path / "drivers.csv").write_text("driver_id,depot\nd77qx,North\nJo\u0308rg-7,North\n", "utf-8")
    pipeline.ingest([], store, registers=tmp_path)
    for given, why in (
        (DRIVER, rf"{DRIVER} and d77qx.*--alike-too"),
        ("D77qx", r"perhaps D77QX or d77qx.*--alike-too"),
    ):
        with pytest.raises(InputError, match=why):
            forget_driver(store, given)
    assert ask(store, "SELECT count(*) FROM drivers") == [(4,)]
    # another form of the same letters is the same id
    assert forget_driver(store, "J\u00f6rg-7").complete
    done = forget_driver(store, DRIVER, alike_too=True)
    assert done.alike == ("d77qx",) and done.complete and ask(store, "SELECT driver_id FROM drivers") == [(OTHER,)]


def test_retention_says_what_it_leaves(store: Path) -> None:
    today = datetime.now(UTC).date().isoformat()
    done = CliRunner().invoke(app, ["retain", "--store", str(store), "--months", "1", "--today", today])
    assert done.exit_code == 0 and "an id of a driver within such a name is not dropped" in done.stdout


def test_a_hold_that_names_it_in_its_words_is_told_and_goes_with_its_release(store: Path) -> None:
    hold(store, vehicle_id="V2", reason=f"as {DRIVER} said", by=f"{DRIVER} himself")
    done = forget_driver(store, DRIVER)
    assert done.complete and done.held == ("hold-1: vehicle V2",)
    assert {one.file for one in done.held_places} == {"holds.json", "held/hold-1/manifest.json"}
    for words in ({"driver_id": "d77qx", **WHO}, {"vehicle_id": "V1", **WHO, "by": DRIVER}):
        with pytest.raises(InputError, match=r"forgotten"):
            hold(store, **words)
    release_hold(store, "hold-1", **WHO)
    assert places_of(store, DRIVER) == []


def test_names_of_something_else_are_no_failure(store: Path) -> None:
    for name in ("North", "dry_paved", "driver"):
        done = forget_driver(store, name)
        assert done.complete and not done.remains and not done.perhaps, name
    assert ask(store, "SELECT count(*) FROM drivers WHERE depot = 'North'") == [(2,)]


def test_a_findings_sheet_read_again_is_known(store: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    header = "inspection_id,vehicle_id,inspected_on,wheel,finding,severity,note"
    sheet.write_text(f"{header}\n,V2,2026-01-05,1L,none,0,seen with {DRIVER}\nin-{DRIVER},V2,2026-01-06,1L,none,0,\n")
    (tmp_path / "vehicles.csv").write_text("vehicle_id,category,axles\nV2,N2,2\n")
    pipeline.ingest([], store, registers=tmp_path)
    assert import_findings(store, sheet, "A. Clerk") == Taken(2, 0, [])
    forget_driver(store, DRIVER)
    assert import_findings(store, sheet, "A. Clerk") == Taken(0, 2, [])
