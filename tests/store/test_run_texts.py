"""The texts of runs can all be changed, and nothing of the old ones remains in a file."""

import json
from datetime import UTC, datetime
from pathlib import Path

from fleetbrake.store import runs
from fleetbrake.store.run_texts import log_files, rewrite_texts
from fleetbrake.store.runs import Outcome

SECRET = "Quillfeather-77"


def _change(text: str) -> str:
    return text.replace(SECRET, "somebody")


def _store(tmp_path: Path) -> tuple[Path, Path]:
    """A store whose history and logs, one of them elsewhere, name somebody."""
    store, logs = tmp_path / "store", tmp_path / "elsewhere"
    store.mkdir()
    now = datetime.now(UTC)
    with runs.living(store, "r1"):
        runs.begin(store, "r1", "nightly", now, 400)
        summary = {"deep": [{"path": f"/in/{SECRET}/é.parquet"}], "loaded": 3}
        runs.end(store, "r1", now, Outcome.FAILED, 2, summary, f"{SECRET}: no")
    runs.remember_log_folder(store, logs)
    for folder in (logs, store / "logs"):
        folder.mkdir()
    lines = [json.dumps({"said": f"'{SECRET}'\u2028 \"x\"", "n": 1}), f"no JSON of {SECRET}", "", '{"said" : "kept"}']
    (logs / "fleetbrake-2026-01-05.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (store / "logs" / "fleetbrake-2026-01-06.jsonl").write_text('{"said" : "nobody"}\n', encoding="utf-8")
    return store, logs


def test_history_and_logs_are_changed_and_the_rest_stays(tmp_path: Path) -> None:
    store, logs = _store(tmp_path)
    assert [file.name for file in log_files(store)] == ["fleetbrake-2026-01-05.jsonl", "fleetbrake-2026-01-06.jsonl"]
    done = rewrite_texts(store, _change)
    assert (done.changed, done.not_reached) == (3, ())
    (run,) = runs.last_runs(store, 9)
    assert run.summary == {"deep": [{"path": "/in/somebody/é.parquet"}], "loaded": 3} and run.error == "somebody: no"
    told = (logs / "fleetbrake-2026-01-05.jsonl").read_text("utf-8").split("\n")
    assert json.loads(told[0]) == {"said": "'somebody'\u2028 \"x\"", "n": 1}
    assert told[1:] == ["no JSON of somebody", "", '{"said" : "kept"}', ""]
    left = [file for file in tmp_path.rglob("*") if file.is_file() and SECRET.encode() in file.read_bytes()]
    assert not left
    assert rewrite_texts(store, _change).changed == 0, "once more changes nothing"


def test_a_store_without_runs_has_nothing_to_change(tmp_path: Path) -> None:
    assert rewrite_texts(tmp_path, _change).changed == 0 and log_files(tmp_path) == []
    assert not list(tmp_path.iterdir()), "looking makes no file"
