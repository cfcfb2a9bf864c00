"""Runs that were refused leave a trace, and what a run says outside the store names no file."""

import json
from collections.abc import Callable
from pathlib import Path

import duckdb
from typer.testing import CliRunner

from fleetbrake.cli_jobs import nightly_app
from fleetbrake.store.runs import Outcome, last_runs
from fleetbrake.unattended.names import NamesLeftOut, numbered
from tests.unattended.small_fleet import Fleet, make_fleet

NEW = "NEWGUY-77"


def test_a_refused_configuration_is_told_where_runs_are_looked_for(tmp_path: Path) -> None:
    here = make_fleet(tmp_path, more="[tip]\n", recordings=False)
    for store_is_there in (False, True):
        if store_is_there:
            here.store.mkdir()
        done = CliRunner().invoke(nightly_app, ["--config", str(here.config)])
        assert done.exit_code == 2 and ("no heartbeat" in done.stderr) == (not store_is_there)
    told = here.heartbeat("nightly")
    assert (told["ended"], told["outcome"], told["status"]) == (True, "failed", 2)
    run = last_runs(here.store, 5)[0]
    assert (run.outcome, run.status) == (Outcome.FAILED, 2) and "[tip] is no key" in str(run.error)
    here.config.write_text("[store]\nfolder = 3\n", encoding="utf-8")
    assert "no heartbeat" in CliRunner().invoke(nightly_app, ["--config", str(here.config)]).stderr
    assert len(last_runs(here.store, 5)) == 1


def test_a_rejected_file_is_told_by_its_fingerprint(fleet: Callable[..., Fleet]) -> None:
    here = fleet()
    bad = here.folder / "recordings" / f"bad driver {NEW}.parquet"
    bad.write_text("no Parquet")
    done = CliRunner().invoke(nightly_app, ["--config", str(here.config)])
    facts = json.loads(done.stdout.splitlines()[-1])
    assert done.exit_code == 1 and numbered(str(bad)) in facts["problems"][0]
    said = done.stdout + done.stderr + json.dumps(here.log_lines())
    assert NEW not in said and facts["problem_count"] == 1
    with duckdb.connect(str(here.store / "fleet.duckdb"), read_only=True) as con:
        asked = "SELECT path FROM ingest_log WHERE starts_with(sha256(path), ?)"
        assert con.execute(asked, [numbered(str(bad)).split()[1]]).fetchall() == [(str(bad),)]


def test_paths_in_any_place_of_a_sentence(tmp_path: Path) -> None:
    names = NamesLeftOut(tmp_path)
    for text in (f"/x/{NEW} a.parquet: 5 km/h", f"hold-1: /x/{NEW}.PARQUET is gone; C:\\x\\{NEW}.parquet too"):
        assert NEW not in names(text) and "file " in names(text)
    assert names("5 km/h and 3/4 of it.parquet") == "5 km/h and 3/4 of it.parquet"
