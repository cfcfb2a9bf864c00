"""Files read with care: nothing else in hand meanwhile, in their order, and in the log before another one is begun."""

import hashlib
import pickle
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from fleetbrake import alone as alone_module
from fleetbrake import careful, taking_in
from fleetbrake.alone import Alone, ended_by
from fleetbrake.careful import MOST_DEATHS, Careful, with_care
from fleetbrake.core.criteria import DEFAULT
from fleetbrake.handing_out import Desk, Fate, Handed, Job, Taken
from fleetbrake.recordings.sources import Source, source_of
from fleetbrake.store.forgetting.at_rest import at_rest
from fleetbrake.store.gathering import Gathering
from fleetbrake.store.in_hand import InHand, read_note
from fleetbrake.store.lake import Lake
from fleetbrake.store.log import LogEntry, read_log
from fleetbrake.summary import IngestSummary
from fleetbrake.taking_in import Threads, read_all, rejected

FILES = [Source(f"/r/{number:02d}.parquet", Path(f"/r/{number:02d}.parquet")) for number in range(40)]
SUSPECTS = (7, 8, 30)


def job(store: Path) -> Job:
    return Job(at_rest(store), Gathering(store), None, DEFAULT, "settings", datetime.now(UTC))


def entry(made: Job, handed: Handed) -> LogEntry:
    return rejected(made, handed.path, "f" * 64, "made")


class Told:
    """Stands for who reads alone; notes what happens, in order."""

    def __init__(self, can_start: bool = True) -> None:
        self.happened: list[str] = []
        self.can_start = can_start
        self.reading = 0
        self.lock = threading.Lock()
        self.deaths: dict[str, int] = {}

    def read(self, handed: Handed, made: Job, *, deaths: int = 0) -> Taken | None:
        assert self.reading == 0, "something else is in hand"
        self.happened.append(f"alone {handed.path}")
        self.deaths[handed.path] = deaths
        return Taken(Fate.READ, "f" * 64, entry(made, handed)) if self.can_start else None

    def read_file(self, handed: Handed, made: Job) -> Taken:
        with self.lock:
            self.reading += 1
            self.happened.append(handed.path)
        with self.lock:
            self.reading -= 1
        return Taken(Fate.READ, "f" * 64, entry(made, handed))


def died(store: Path, *numbers: int) -> None:
    """A run died with these files in hand."""
    run = InHand(store, [], len(numbers))
    for number in numbers:
        run._put(run._free.pop(), run._digest(FILES[number].address))


def taken_in(store: Path, told: Told, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Read all files; what was read and committed, in order."""
    monkeypatch.setattr(taking_in, "read_file", told.read_file)
    monkeypatch.setattr(careful, "read_file", told.read_file)
    monkeypatch.setattr(careful, "Alone", lambda: _entered(told))
    made = job(store)

    def commit(entries: list[LogEntry]) -> None:
        told.happened.append("committed " + " ".join(one.path[3:5] for one in entries))

    with with_care(store, FILES) as care:
        desk = Desk(made, read_log(store), Lake(store))
        read_all(FILES, desk, Threads(made.rows, care), commit, IngestSummary(len(FILES)), None)  # type: ignore[arg-type]
        care.complete()
    return told.happened


@contextmanager
def _entered(told: Told) -> Iterator[Told]:
    yield told


def test_suspects_are_read_alone_in_their_place_and_committed_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    died(tmp_path, *SUSPECTS)
    told = Told()
    happened = taken_in(tmp_path, told, monkeypatch)
    order = [what[-10:-8] for what in happened if not what.startswith("committed")]
    assert sorted(order) == [f"{number:02d}" for number in range(40)]
    for number in SUSPECTS:
        at = happened.index(f"alone {FILES[number].address}")
        assert happened[at + 1].startswith("committed") and f"{number:02d}" in happened[at + 1]
        before = {what[-10:-8] for what in happened[:at] if not what.startswith("committed")}
        assert before == {f"{k:02d}" for k in range(number)}, "each file before it has been read, and none after it"
    assert set(told.deaths.values()) == {1} and len(told.deaths) == 3
    assert not list(tmp_path.glob("in-hand"))


def test_after_some_deaths_each_file_is_read_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(MOST_DEATHS):
        died(tmp_path, 3)
    told = Told()
    happened = taken_in(tmp_path, told, monkeypatch)
    assert [what for what in happened if "committed" not in what] == [f"alone {one.address}" for one in FILES]
    assert told.deaths == {one.address: int(one == FILES[3]) for one in FILES}
    # the portion of all others is committed at its end
    assert [what for what in happened if "committed" in what] == [
        "committed 00 01 02 03",
        "committed " + " ".join(f"{number:02d}" for number in range(4, 40)),
    ]
    again = Told()
    assert not any("alone" in what for what in taken_in(tmp_path, again, monkeypatch)), "the run came to its end"


def test_where_no_process_can_be_started_suspects_stay_and_all_others_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(MOST_DEATHS):
        died(tmp_path, *SUSPECTS)
    told = Told(can_start=False)
    happened = taken_in(tmp_path, told, monkeypatch)
    read = [what for what in happened if what.startswith("/r/")]
    assert read == [one.address for number, one in enumerate(FILES) if number not in SUSPECTS]
    assert len(read_note(tmp_path).suspects) == 3
    with with_care(tmp_path, FILES) as care:
        found = care.read(Handed(FILES[7], FILES[7].address), job(tmp_path))
    assert found.entry is not None and found.entry.status == "rejected"
    assert found.entry.reason == (
        "/r/07.parquet: was in hand when a run died, and cannot be read alone: no process can be started"
    )
    assert found.entry.sha256 == "" and not found.at_once  # so that the next run tries again


def test_a_run_that_is_broken_off_keeps_the_suspects_it_has_not_committed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    died(tmp_path, *SUSPECTS)
    monkeypatch.setattr(careful, "Alone", lambda: _entered(Told()))
    desk = Desk(job(tmp_path), read_log(tmp_path), Lake(tmp_path))
    with pytest.raises(KeyboardInterrupt), with_care(tmp_path, FILES) as care:
        read_all(FILES, desk, _Interrupted(care), lambda entries: None, IngestSummary(40), None)
    with with_care(tmp_path, FILES) as care:
        assert [number for number, one in enumerate(FILES) if care.is_for(Handed(one, one.address))] == [8, 30]


class _Interrupted:
    """Reads the first suspect with care; then somebody ends the run."""

    def __init__(self, care: Careful) -> None:
        self.care, self.rows = care, Gathering(Path())

    def bring(self, keys: list[str]) -> None:
        assert not keys

    def read(self, files: Iterator[Handed], made: Job) -> Iterator[tuple[Handed, Taken]]:
        for handed in files:
            if handed.source == FILES[8]:
                raise KeyboardInterrupt
            suspect = self.care.is_for(handed)
            yield handed, self.care.read(handed, made) if suspect else Taken(Fate.KNOWN, "f" * 64)

    def committed(self) -> None:
        self.care.committed()


def test_words_for_what_ended_a_process() -> None:
    assert ended_by(11) == "signal 11, SIGSEGV" and ended_by(9).endswith("SIGKILL: out of memory, perhaps")
    assert ended_by(250) == "signal 250"


#: Takes what comes next, and does not look at it.
_GETS = "list(pickletools.genops(COMES))"


def _process(monkeypatch: pytest.MonkeyPatch, starts: str, *reads: str) -> None:
    """Stands for the process that reads; ``starts`` gets a letter from each one that is started."""
    begins = "import os, pickle, pickletools, sys, time\nfrom pathlib import Path\n"
    comes = "COMES = type('', (), {'read': sys.stdin.buffer.read, 'readline': sys.stdin.buffer.readline})()\n"
    counts = f"starts = Path({starts!r})\nwith starts.open('a') as file: file.write('x')\n"
    ready = f"def tell(what): pickle.dump(what, sys.stdout.buffer); sys.stdout.flush()\n{_GETS}\ntell(None)\n"
    code = begins + comes + counts + ready + "\n".join(reads)
    monkeypatch.setattr(alone_module, "PROGRAM", ("-c", code))
    monkeypatch.setattr(alone_module, "PATIENCE_S", 2.0)
    monkeypatch.setattr(alone_module, "_BYTES_A_SECOND", 2**40)


@pytest.mark.parametrize(
    ("does", "how"),
    [
        ("os.abort()", "signal 6, SIGABRT"),
        ("os.kill(os.getpid(), 9)", "signal 9, SIGKILL: out of memory, perhaps"),
        ("os._exit(0)", "exit status 0"),
        ("sys.stdout.buffer.write(b'no answer'); os._exit(5)", "exit status 5"),
        ("time.sleep(60)", "it had not come to an end after 2 s"),
    ],
)
@pytest.mark.parametrize("deaths", [0, 1])
def test_what_ends_processes_is_rejected_with_its_fingerprint(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, does: str, how: str, deaths: int
) -> None:
    """By one process if it may have ended another one before, else by two."""
    starts, path = tmp_path / "starts", tmp_path / "a.parquet"
    path.write_bytes(b"PAR1")
    _process(monkeypatch, str(starts), _GETS, does)
    with Alone() as alone:
        taken = alone.read(Handed(source_of(path), str(path)), job(tmp_path), deaths=deaths)
    assert taken is not None and taken.entry is not None and not taken.piece
    assert (taken.fate, taken.entry.status, taken.entry.size) == (Fate.READ, "rejected", 4)
    assert taken.sha256 == taken.entry.sha256 == hashlib.sha256(b"PAR1").hexdigest()
    assert taken.entry.reason == (
        f"{path}: cannot be read: the process that read it ended, and so did another that read nothing else ({how}); "
        "it is left out until the file or the settings change"
    )
    assert len(starts.read_text()) == 2 - deaths


def test_a_process_that_read_others_before_is_not_proof_enough(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    starts, path = tmp_path / "starts", tmp_path / "a.parquet"
    path.write_bytes(b"PAR1")
    seen = pickle.dumps((Taken(Fate.KNOWN, "seen"), []))
    answer = f"{_GETS}\nsys.stdout.buffer.write({seen!r})\nsys.stdout.flush()"
    _process(monkeypatch, str(starts), answer, _GETS, "os.abort()")
    with Alone() as alone:
        assert alone.read(Handed(FILES[0], FILES[0].address), job(tmp_path)) == Taken(Fate.KNOWN, "seen")
        # it ends the process, and the next one answers again: it was none of its own fault
        assert alone.read(Handed(FILES[1], FILES[1].address), job(tmp_path), deaths=1) == Taken(Fate.KNOWN, "seen")
    assert len(starts.read_text()) == 2


def test_a_held_file_stays_held(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _process(monkeypatch, str(tmp_path / "starts"), _GETS, "os.abort()")
    with Alone() as alone:
        taken = alone.read(Handed(FILES[0], FILES[0].address, held=("H1",)), job(tmp_path))
    assert taken == Taken(Fate.HELD, "")


@pytest.mark.parametrize("code", ["raise SystemExit(3)", "import os; os.abort()", "import time; time.sleep(60)"])
def test_a_process_that_does_not_come_to_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str) -> None:
    monkeypatch.setattr(alone_module, "PROGRAM", ("-c", code))
    monkeypatch.setattr(alone_module, "START_S", 0.5)
    with Alone() as alone:
        assert alone.read(Handed(FILES[0], FILES[0].address), job(tmp_path)) is None
        assert alone._process is None
