"""A forgotten driver's id is nowhere, does not come back, and nothing that is counted changes."""

import json
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from a_few import a_few
from everywhere import places_of
from forget_made import DRIVER, MONTH, OTHER, Made, ask, drive, make, totals
from pyarrow import parquet as pq
from typer.testing import CliRunner

from fleetbrake import pipeline
from fleetbrake.cli import app
from fleetbrake.core.criteria import DEFAULT
from fleetbrake.core.errors import StoreError
from fleetbrake.reports import reads
from fleetbrake.reports.raw_rows import raw_rows
from fleetbrake.reports.traces import event_traces
from fleetbrake.store.database import rebuilding
from fleetbrake.store.entered import enter, entries
from fleetbrake.store.entered_rows import Deferred
from fleetbrake.store.forgetting import erase
from fleetbrake.store.forgetting.at_rest import at_rest
from fleetbrake.store.log import read_log
from fleetbrake.store.publish import publish_recordings
from fleetbrake.upkeep import erase_forgotten, forget_driver, hold, release_hold

WHO = {"reason": "collision", "by": "A. Clerk"}


@pytest.fixture(scope="module")
def scored(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Scored and planned once; tests work on copies of its store."""
    return make(tmp_path_factory.mktemp("scored"), DRIVER, scored=True)


@pytest.fixture(scope="module")
def read_in(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Read in, without scores, which take the time."""
    return make(tmp_path_factory.mktemp("read"), DRIVER)


def _copy(made: Made, folder: Path) -> Made:
    """A fleet of its own in a store of its own; the recordings stay where the log has them."""
    shutil.copytree(made.store, folder / "store")
    return replace(made, store=folder / "store")


def test_the_search_of_the_tests_finds_the_id_wherever_it_was_put(scored: Made) -> None:
    found = " ".join(places_of(scored.store, DRIVER))
    for where in (
        "events/",
        "event_wheels/",
        "log.parquet",
        "registers/trips",
        "entered.sqlite",
        "runs.sqlite",
        ".jsonl",
    ):
        assert where in found, where
    for table in ("events", "event_wheels", "driver_style", "driver_coaching", "indicators", "ingest_log", "trips"):
        assert f"table {table}" in found, table


def test_nothing_remains_nothing_is_lost_and_later_runs_and_reports_do_not_name_it(
    scored: Made, tmp_path: Path
) -> None:
    made = _copy(scored, tmp_path)
    before, others = totals(made.store), ask(made.store, "SELECT * EXCLUDE (rank) FROM driver_style ORDER BY ALL")
    done = forget_driver(made.store, DRIVER)
    assert places_of(made.store, DRIVER) == []
    assert done.complete and done.known and done.remains == ()
    assert totals(made.store) == before
    assert ask(made.store, "SELECT * EXCLUDE (rank) FROM driver_style ORDER BY ALL") == [
        row for row in others if row[0] != DRIVER
    ]
    assert ask(made.store, "SELECT DISTINCT rank FROM driver_style ORDER BY 1") == [(1,)]
    pipeline.ingest([made.recordings], made.store, registers=made.registers)
    pipeline.score(made.store)
    pipeline.plan(made.store)
    out = tmp_path / "out"
    pipeline.report(made.store, MONTH, out, safety_role=True)
    assert totals(made.store)[:4] == before[:4]
    assert places_of(made.store, DRIVER) == [] == places_of(out, DRIVER)
    assert OTHER in " ".join(str(row) for row in ask(made.store, "SELECT driver_id FROM driver_style"))


def test_old_files_read_again_bring_nothing_back(read_in: Made, tmp_path: Path) -> None:
    made = _copy(read_in, tmp_path)
    store, before = made.store, totals(made.store)
    forget_driver(store, DRIVER)
    again = pipeline.ingest([made.recordings], store, registers=made.registers)
    assert (again.unchanged, again.loaded, again.rejected) == (2, 0, 1)
    assert DRIVER not in " ".join([*again.problems, *again.unknown_drivers])
    assert places_of(store, DRIVER) == [] and totals(store) == before
    # other thresholds read every file anew; so does a lost log
    pipeline.ingest([made.recordings], store, criteria=replace(DEFAULT, merge_gap_s=DEFAULT.merge_gap_s + 0.001))
    assert places_of(store, DRIVER) == []
    (store / "lake" / "log.parquet").unlink()
    pipeline.ingest([made.recordings], store, registers=made.registers)
    assert places_of(store, DRIVER) == [] and totals(store) == before
    # a copy under another name is the same events again, and counts once
    renamed = tmp_path / f"of {DRIVER}" / f"{DRIVER}.parquet"
    renamed.parent.mkdir()
    shutil.copy(next(made.recordings.glob("driver_id=*/a.parquet")), renamed)
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(
        '[columns]\nvehicle_id = "vehicle_id"\nevent_id = "event_id"\ntimestamp = "timestamp"\n'
        f'speed_mps = "speed_mps"\nbrake_pedal_pct = "brake_pedal_pct"\ndriver_id = {{ constant = "{DRIVER}" }}\n'
    )
    pipeline.ingest([renamed.parent], store, mapping=str(mapping))
    assert places_of(store, DRIVER) == [] and totals(store)[0] == before[0]


def test_ids_with_quotes_blanks_and_any_letters(tmp_path: Path) -> None:
    drivers = ['O\'Neil-Brook, Ánn_van.der "the" 2nd', "עובד 42 לילה"]
    made = make(tmp_path, *drivers)
    before = totals(made.store)
    assert places_of(made.store, drivers[0])
    for driver in drivers:
        assert forget_driver(made.store, driver).complete, driver
    assert places_of(made.store, *drivers) == []
    assert totals(made.store) == before
    pipeline.ingest([made.recordings], made.store, registers=made.registers)
    assert places_of(made.store, *drivers) == []
    assert totals(made.store) == before


def test_events_stay_joined_and_nobody_else_gets_them(read_in: Made, tmp_path: Path) -> None:
    store = _copy(read_in, tmp_path).store
    for again in (False, True):
        if again:
            pipeline.ingest([read_in.recordings], store, registers=read_in.registers)
        else:
            forget_driver(store, DRIVER)
        assert ask(store, "SELECT count(*), count(DISTINCT event_id) FROM events") == [(8, 8)]
        assert ask(store, "SELECT count(*) FROM events SEMI JOIN event_wheels USING (event_id)") == [(8,)]
        # the trip of X names the other driver, its recording named the forgotten one
        drivers = ask(store, "SELECT DISTINCT vehicle_id, driver_id FROM events ORDER BY 1")
        assert drivers == [("V1", None), ("W", OTHER), ("X", None)]
        assert ask(store, "SELECT count(*) FROM events AS e JOIN ingest_log AS l ON l.path = e.source_path") == [(8,)]


@pytest.mark.parametrize("step", a_few(["erase_registers", "mark_erased"], 0))
def test_a_run_that_is_killed_is_completed_by_the_next(
    read_in: Made, tmp_path: Path, step: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = _copy(read_in, tmp_path).store
    before = totals(store)

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(erase, step, killed)
        with pytest.raises(KeyboardInterrupt):
            forget_driver(store, DRIVER)
    # whatever is published meanwhile shows nothing of it, though the rest may still stand in the store
    with rebuilding(store) as con:
        publish_recordings(con, store)
    assert ask(store, "SELECT count(*) FROM events WHERE driver_id IS NOT NULL") == [(3,)]
    assert not [one for one in ask(store, "SELECT event_id, trip_id, source_path FROM events") if DRIVER in str(one)]
    pipeline.ingest([], store, registers=read_in.registers)
    assert places_of(store, DRIVER) == [] and totals(store) == before
    assert erase_forgotten(store).changed == {}


#: A run that kills itself when the entries are changed and not yet committed.
KILLED = """
import os, signal, sys
from pathlib import Path
from fleetbrake.store.forgetting import erase_texts
from fleetbrake.upkeep.forget import forget_driver

changed = erase_texts._rewrite

def killed(con, *given):
    changed(con, *given)
    con.execute("PRAGMA cache_spill = 1")
    os.kill(os.getpid(), signal.SIGKILL)

erase_texts._rewrite = killed
forget_driver(Path(sys.argv[1]), sys.argv[2])
"""


def _entered(store: Path) -> list[tuple[str, ...]]:
    """What was entered as the file has it; read through the store it names nobody who is to be forgotten."""
    with closing(sqlite3.connect(store / "entered.sqlite")) as con:
        return con.execute("SELECT made_by, body FROM entered ORDER BY entry_id").fetchall()


def test_a_killed_process_leaves_the_entries_whole_and_the_next_run_does_the_rest(
    read_in: Made, tmp_path: Path
) -> None:
    store = _copy(read_in, tmp_path).store
    before, made = totals(store), _entered(store)
    done = subprocess.run([sys.executable, "-c", KILLED, str(store), DRIVER], check=False, timeout=120)
    assert done.returncode == -signal.SIGKILL
    assert _entered(store) == made and not (store / "lake" / "log.parquet").read_bytes().count(DRIVER.encode())
    (store / ".rebuilding-1-a.duckdb").write_bytes(DRIVER.encode())
    (store / "lake" / "events" / ".a.parquet.1.part").write_bytes(DRIVER.encode())
    assert forget_driver(store, DRIVER).complete
    assert places_of(store, DRIVER) == [] and totals(store) == before
    with closing(sqlite3.connect(store / "entered.sqlite")) as con, pytest.raises(sqlite3.IntegrityError):
        con.execute("DELETE FROM entered")


def test_what_is_held_stays_unseen_until_it_is_released(read_in: Made, tmp_path: Path) -> None:
    store = _copy(read_in, tmp_path).store
    before = totals(store)
    hold(store, vehicle_id="V1", **WHO)
    done = forget_driver(store, DRIVER)
    assert done.held == ("hold-1: vehicle V1",) and done.erased.held["hold-1"] >= 4 and done.complete
    held = {place.split("/")[0].split(":")[0] for place in places_of(store, DRIVER)}
    assert held == {"lake", "registers", "held", "entered.sqlite"}
    again = pipeline.ingest([read_in.recordings], store, registers=read_in.registers)
    assert (again.unchanged, again.held_not_copied) == (2, [])
    assert not [place for place in places_of(store, DRIVER) if "fleet.duckdb" in place]
    assert ask(store, "SELECT count(*) FROM events WHERE driver_id IS NOT NULL") == [(3,)] and totals(store) == before
    release_hold(store, "hold-1", **WHO)
    assert places_of(store, DRIVER) == [] and totals(store) == before


def test_without_the_key_nothing_is_read_in(read_in: Made, tmp_path: Path) -> None:
    store = _copy(read_in, tmp_path).store
    forget_driver(store, "somebody else")
    kept = (store / "forgotten.key").read_bytes()
    assert (store / "forgotten.key").stat().st_mode & 0o777 == 0o600
    for key in (None, bytes(32), kept[:5]):
        (store / "forgotten.key").unlink()
        if key is not None:
            (store / "forgotten.key").write_bytes(key)
        with pytest.raises(StoreError, match="key"):
            pipeline.ingest([read_in.recordings], store)
        (store / "forgotten.key").write_bytes(kept)
    pipeline.ingest([read_in.recordings], store)


def test_a_short_id_goes_from_columns_and_no_other_word_is_touched(tmp_path: Path) -> None:
    made = make(tmp_path, "1L")
    before = ask(made.store, "SELECT wheel, count(*) FROM event_wheels GROUP BY wheel ORDER BY wheel")
    done = forget_driver(made.store, "1L")
    assert not done.anywhere and done.complete
    for table in ("events", "trips", "drivers"):
        assert ask(made.store, f"SELECT count(*) FROM {table} WHERE driver_id = '1L'") == [(0,)]
    assert ask(made.store, "SELECT wheel, count(*) FROM event_wheels GROUP BY wheel ORDER BY wheel") == before
    told = str(entries(made.store))
    assert "driver 1L" not in told and "wheel='1L'" in told
    assert not [entry for entry in read_log(made.store) if "driver_id=1L" in entry.path]


def test_a_vehicle_of_that_name_stays_and_is_told(read_in: Made, tmp_path: Path) -> None:
    made = _copy(read_in, tmp_path)
    extra = tmp_path / "more" / "c.parquet"
    extra.parent.mkdir()
    pq.write_table(drive(DRIVER, f"van {DRIVER}", [f"van {DRIVER} 1"], hour=1), extra)
    pipeline.ingest([extra.parent], made.store)
    done = forget_driver(made.store, DRIVER)
    assert done.vehicles == (f"van {DRIVER}",) and done.complete and done.remains == ()
    assert ask(made.store, f"SELECT event_id, driver_id FROM events WHERE vehicle_id = 'van {DRIVER}'") == [
        (f"van {DRIVER} 1", None)
    ]


def test_what_people_enter_later_does_not_name_it(read_in: Made, tmp_path: Path) -> None:
    store = _copy(read_in, tmp_path).store
    forget_driver(store, DRIVER)
    enter(store, "A. Clerk", "W", Deferred(until=None, reason=f"{DRIVER} is ill " + "x" * 1980))
    assert places_of(store, DRIVER) == []
    reason = entries(store, ("deferred",))[0].body
    assert "is ill" in str(reason) and len(reason.reason) <= 2000  # type: ignore[attr-defined]


def test_rows_and_traces_of_a_recording_do_not_name_it(read_in: Made, tmp_path: Path) -> None:
    store = _copy(read_in, tmp_path).store
    row = reads.event(store, "f-0")
    assert row is not None and DRIVER in str(raw_rows(store, row, drivers=True).to_dict())
    forget_driver(store, DRIVER)
    row = reads.event(store, "f-0")
    assert row is not None
    shown = raw_rows(store, row, drivers=True)
    assert "driver_id" in shown and shown["driver_id"].isna().all() and len(shown) == row["samples"]
    traces = event_traces(store, "f-0")
    assert traces is not None and traces.problem == "" and len(traces.vehicle)


def test_without_anybody_forgotten_rows_pass_untouched(read_in: Made) -> None:
    rest = at_rest(read_in.store)
    events, wheels = drive("x", "y", ["z"]), drive("x", "y", ["z"])
    assert rest.piece(events, wheels) == (events, wheels) and rest.piece(events, wheels)[0] is events
    assert rest.register("trips", events) is events and not rest.forgetter


def test_the_command_asks_tells_and_says_what_it_could_not_do(read_in: Made, tmp_path: Path) -> None:
    store = _copy(read_in, tmp_path).store
    run = CliRunner().invoke
    refused = run(app, ["forget-driver", DRIVER, "--store", str(store)])
    assert refused.exit_code == 2 and "--yes" in refused.stderr
    assert places_of(store, DRIVER)
    done = run(app, ["forget-driver", DRIVER, "--store", str(store), "--yes", "--json"])
    facts = json.loads(done.stdout.splitlines()[-1])
    assert done.exit_code == 0 and facts["complete"] and facts["status"] == 0 and facts["files_searched"] > 10
    assert "Forgotten" in done.stdout and DRIVER not in done.stdout
    (store / "mine.txt").write_text(f"call {DRIVER} back\n")
    left = run(app, ["forget-driver", DRIVER, "--store", str(store), "--yes", "--json"])
    assert left.exit_code == 1 and "mine.txt" in left.stderr
    assert json.loads(left.stdout.splitlines()[-1])["remains"] == ["mine.txt: lines"]
    near = run(app, ["forget-driver", OTHER.lower(), "--store", str(store), "--yes"])
    assert near.exit_code == 2 and OTHER in near.stderr
    assert ask(store, f"SELECT count(*) FROM events WHERE driver_id = '{OTHER}'") == [(3,)]
    unknown = run(app, ["forget-driver", "nobody-77", "--store", str(store), "--yes"])
    assert "Nothing in the store named this id" in unknown.stderr
    assert run(app, ["forget-driver", DRIVER, "--store", str(tmp_path / "none"), "--yes"]).exit_code == 2
