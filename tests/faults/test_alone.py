"""Recordings whose reading ends the process: tried once more alone, then rejected, and all others are in.

The files end their readers for good: by a fault, by no room, by no end. See ``killers.py``.
"""

import signal
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from fleetbrake import alone, pipeline
from fleetbrake.store import runs
from fleetbrake.store.in_hand import InHand, read_note
from fleetbrake.store.log import read_log
from tests.cluster.same_rows import tables
from tests.faults.alone_trials import rows, went_on
from tests.faults.killers import FUNCTION, NIGHT, alone_program, fleet, program, recording
from tests.unattended.small_fleet import make_fleet, strict_json

pytestmark = [pytest.mark.slow, pytest.mark.skipif(sys.platform != "linux", reason="elsewhere nobody watches")]

FILES = 14
#: In the order of the files: they are in hand together. The long form has more of them, and of other kinds.
KILLERS = {0: "null", 1: "kill"}
_LEFT_OUT = "it is left out until the file or the settings change"


def _mend(paths: list[Path], killers: dict[int, str]) -> None:
    for number in killers:
        pq.write_table(recording(number), paths[number])


def test_the_command_goes_on_by_itself(tmp_path: Path) -> None:
    """Those files are known from then on, and read again when they change."""
    assert went_on(tmp_path, FILES, KILLERS) == []
    store, good = tmp_path / "store", tmp_path / "good"
    paths = sorted((tmp_path / "fleet").iterdir())
    assert all(_LEFT_OUT in str(entry.reason) for entry in read_log(store) if entry.status == "rejected")
    again = pipeline.ingest([tmp_path / "fleet"], store)  # nothing kills here: they would be loaded if they were read
    assert (again.rejected, again.unchanged, len(again.problems)) == (len(KILLERS), FILES - len(KILLERS), len(KILLERS))
    _mend(paths, KILLERS)
    mended = pipeline.ingest([tmp_path / "fleet"], store)
    assert (mended.loaded, mended.problems) == (len(KILLERS), [])
    pipeline.ingest([tmp_path / "fleet"], good)
    assert tables(store) == tables(good)


def test_the_next_run_goes_on_where_nobody_watches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What killed a run once only is simply loaded: it may have been a person, or the machine."""
    killers = {2: "once", 3: "memory"}
    paths = fleet(tmp_path / "fleet", 8, killers)
    store, good = tmp_path / "store", tmp_path / "good"
    died = program(FUNCTION, tmp_path / "fleet", store)
    assert died.returncode == -signal.SIGKILL and read_note(store).held and not list(read_log(store))

    # the other one would kill the next run, which takes seconds: it is noted here as if it had
    files = [str(path) for path in paths]
    noted = InHand(store, files, 8)
    for number in killers:
        noted._put(number, noted._digest(files[number]))
    monkeypatch.setattr(alone, "PROGRAM", alone_program())
    summary = pipeline.ingest([tmp_path / "fleet"], store)
    assert (summary.rejected, summary.loaded) == (1, 7)
    (rejected,) = [entry for entry in read_log(store) if entry.status == "rejected"]
    assert (rejected.path, rejected.sha256, rejected.size) == (files[3], "", None)  # the next run tries again, alone
    assert "reading it takes more memory than one recording may have" in str(rejected.reason)
    assert read_note(store).suspects
    pipeline.ingest([path for k, path in enumerate(paths) if k != 3], good)
    assert rows(store) == rows(good)


def test_the_night_goes_on_by_itself_and_tells_of_both_runs(tmp_path: Path) -> None:
    made = make_fleet(tmp_path / "fleet")
    pq.write_table(recording(1, "null"), made.folder / "recordings" / "b.parquet")
    done = program(NIGHT, "--config", made.config)
    assert len(done.stdout.splitlines()) == 1
    facts = strict_json(done.stdout)
    assert done.returncode == 1 == facts["status"]
    assert (facts["outcome"], facts["loaded"], facts["rejected"]) == ("some input rejected", 1, 1)
    assert any("signal 11, SIGSEGV" in sentence for sentence in facts["problems"])
    last, before = runs.last_runs(made.store, 5)
    assert (last.run_id, last.outcome) == (facts["run_id"], runs.Outcome.SOME_REJECTED)
    assert before.outcome == runs.Outcome.KILLED and before.status is None
    beat = made.heartbeat("nightly")
    assert (beat["run_id"], beat["ended"], beat["status"]) == (facts["run_id"], True, 1)
    assert any("An earlier run was killed" in line["said"] for line in made.log_lines())
    assert "It goes on" in done.stderr
