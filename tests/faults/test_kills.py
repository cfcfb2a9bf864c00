"""``kill -9`` at counted moments, in the short form; ``python tests/faults/long_form.py kill`` runs the long one.

A command runs in a forked child that is killed while it is at work. Then readers must find the last good database,
whole, and the same command once more must end with the very rows, log, pieces, entries and report files of a run that
nobody disturbed, and with nothing half-made beside them.
"""

import os
import random
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from a_few import a_few
from faults.kill_broken import BROKEN
from faults.kill_fleet import COMMANDS
from faults.kill_marks import PHASES
from faults.kill_run import Ground
from faults.kill_state import state_of, tables
from faults.kill_trials import before_operations, inside_phases, random_moments

from fleetbrake import pipeline
from fleetbrake.store.database import database_path, rebuilding
from fleetbrake.store.files import write_bytes

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork") or not Path("/proc/self/task").exists(), reason="forks; Linux only"),
]

SEED = 20261126
#: Killed at a random moment here, and inside the phases; the other commands before one of their operations on files.
AT_RANDOM, IN_PHASES = ("score", "report", "publish"), ("plan", "ingest of more")


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ground]:
    with Ground(tmp_path_factory.mktemp("kills")) as made:
        yield made


def test_a_forked_child_gives_the_rows_of_a_fresh_process(ground: Ground) -> None:
    """And rows do not hang on how many files are committed, gathered or folded together."""
    assert ground.server.threads == 1
    ground.begin("ingest")
    COMMANDS["ingest"](ground.folder / "fleet", ground.store, ground.out)
    assert tables(ground.store) == ground.undisturbed["ingest"].after.database
    ground.begin("score")
    pipeline.score(ground.store)
    assert tables(ground.store) == ground.undisturbed["score"].after.database


def test_every_command_has_something_to_lose(ground: Ground) -> None:
    """Each changes what is compared; between them they go through every phase."""
    assert {phase for phase, _ in ground.phases()} == set(PHASES)
    for name, known in ground.undisturbed.items():
        if name == "publish anew":  # the same rows in another file
            continue
        assert known.before != known.after, name
    planned = ground.undisturbed["plan"].after.database
    assert planned is not None and planned["inspection_plan"] and planned["flags"] and planned["driver_style"]


def test_kills_at_random_moments(ground: Ground) -> None:
    """One of each of those commands. A busy machine may be too quick for one or two; the long form has two hundred."""
    tally = random_moments(ground, len(AT_RANDOM), SEED, AT_RANDOM)
    assert not tally.failures, tally.failures
    assert tally.trials >= len(AT_RANDOM) - 2, tally


def test_kills_inside_every_phase(ground: Ground) -> None:
    tally = inside_phases(ground, 1, SEED, names=IN_PHASES)
    assert not tally.failures, tally.failures
    # the long ones are hit by time and may be missed
    assert set(PHASES) - {"decode", "publish"} <= set(tally.parts), tally


def test_kills_before_operations_on_files(ground: Ground) -> None:
    """One of each other command, drawn by lot; the long form takes them all, of all commands."""
    rng = random.Random(SEED)
    names = [name for name in COMMANDS if name not in (*AT_RANDOM, *IN_PHASES)]
    drawn = [(name, rng.randint(1, ground.undisturbed[name].seen["operations"])) for name in names]
    tally = before_operations(ground, iter(drawn))
    assert not tally.failures, tally.failures
    assert tally.trials == len(drawn) and Counter(tally.parts) == Counter(names), tally


@pytest.mark.parametrize("broken", a_few(BROKEN, 0))
def test_the_trials_find_what_is_broken_on_purpose(ground: Ground, broken: str) -> None:
    name, _ = BROKEN[broken]
    made = ground.trial(name, {"broken": broken})
    assert made.killed and any("a reader fails" in one for one in made.wrong), made


def test_a_left_over_file_is_found(ground: Ground) -> None:
    known = ground.undisturbed["plan"]
    ground.begin("plan")
    (ground.store / "registers" / ".trips.parquet.1.ab.part").write_bytes(b"half")
    assert state_of(ground.store, ground.out).files - known.before.files == {"registers/.trips.parquet.1.ab.part"}


def test_what_is_put_in_place_is_forced_to_the_disk_before_and_after(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a power cut would leave hangs on this order; no kill can show it."""
    done: list[str] = []
    fsync, replace = os.fsync, os.replace

    def forced(handle: int) -> None:
        done.append(f"forced {Path(f'/proc/self/fd/{handle}').readlink().name.split('.')[0] or 'the part'}")
        fsync(handle)

    def renamed(part: str, path: str) -> None:
        done.append("renamed")
        replace(part, path)

    monkeypatch.setattr(os, "fsync", forced)
    monkeypatch.setattr(os, "replace", renamed)
    store = tmp_path / "store"
    write_bytes(store / "some", b"content")
    assert done == ["forced the part", "renamed", "forced store"]
    with rebuilding(store):
        done.clear()
    assert done[:3] == ["forced the part", "renamed", "forced store"] and database_path(store).exists()
