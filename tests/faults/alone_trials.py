"""Trials of fleets with recordings that end their reader: does the command go on, and are all others in?

``LONG`` draws fleets and killers from a seed; the short form is in ``test_alone.py``.
"""

import json
import random
import tempfile
from pathlib import Path
from typing import Any

from fleetbrake import pipeline
from fleetbrake.store.log import read_log
from tests.cluster.same_rows import tables
from tests.faults.killers import COMMAND, fleet, program
from tests.faults.tally import Tally

#: How a file ends its reader, and what the log says of it then; one that kills a run once only is loaded.
SAID = {
    "null": "signal 11, SIGSEGV",
    "abort": "signal 6, SIGABRT",
    "kill": "signal 9, SIGKILL",
    "memory": "more memory than one recording may have",
    "once": "",
}
_TRIALS = 25


def rows(store: Path) -> dict[str, list[tuple[Any, ...]]]:
    """All published tables but the log, which tells of the rejected files too."""
    return {name: found for name, found in tables(store).items() if name != "ingest_log"}


def went_on(folder: Path, files: int, killers: dict[int, str]) -> list[str]:
    """Run the command over a fleet made for it; what went wrong. Leaves ``fleet``, ``store`` and ``good`` there."""
    paths = fleet(folder / "fleet", files, killers)
    bad = {number: how for number, how in killers.items() if SAID[how]}
    done = program(COMMAND, "ingest", folder / "fleet", "--store", folder / "store", "--json")
    if done.returncode != int(bool(bad)) or "Traceback" in done.stderr or not done.stdout:
        return [f"exit status {done.returncode}: {done.stderr[-500:]}"]
    told = json.loads(done.stdout.splitlines()[-1])
    wrong = []
    if killers and not 1 <= done.stderr.count("It goes on") <= len(killers):
        wrong.append(f"went on so often: {done.stderr}")
    for number, how in bad.items():
        said = [one for one in told["problems"] if str(paths[number]) in one and SAID[how] in one]
        wrong += [] if len(said) == 1 else [f"file {number} ({how}) is told so: {told['problems']}"]
    statuses = {Path(entry.path).name: entry.status for entry in read_log(folder / "store")}
    if statuses != {path.name: "rejected" if k in bad else "loaded" for k, path in enumerate(paths)}:
        wrong.append(f"the log says {statuses}")
    wrong += [f"{path.name} is left in the store" for path in (folder / "store").glob(".*")]
    # only what takes too much memory stays a suspect: the next run tries it again
    if (folder / "store" / "in-hand").exists() != ("memory" in killers.values()):
        wrong.append("what is in hand is not what is to be tried again")
    pipeline.ingest([path for k, path in enumerate(paths) if k not in bad], folder / "good")
    if rows(folder / "store") != rows(folder / "good"):
        wrong.append("the rows are not those of a run without the killers")
    return wrong


def LONG(seed: int, minutes: float) -> list[Tally]:
    """Fleets with up to five killers of any kind, anywhere."""
    del minutes
    tally = Tally("recordings that end their reader, by the command")
    with tally.timed():
        for trial in range(_TRIALS):
            draw = random.Random(f"alone {seed} {trial}")
            killers = {number: draw.choice(list(SAID)) for number in draw.sample(range(24), draw.randint(1, 5))}
            with tempfile.TemporaryDirectory() as folder:
                wrong = went_on(Path(folder), 24, killers)
            again = f"seed {seed}, trial {trial}, killers {killers}: {'; '.join(wrong)}"
            tally.add(f"{len(killers)} killers", again if wrong else None)
    return [tally]
