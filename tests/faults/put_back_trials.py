"""Parts of a store that are gone, or put back from an older copy, alone and two at a time: told, or set right.

What goes on afterwards is a night: it refuses or tells, or what it leaves is what it leaves of the whole store.
"""

import random
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from itertools import combinations, product
from pathlib import Path
from typing import Final
from unittest.mock import patch

from fleetbrake import pipeline
from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.planning.wishes import fix_date
from fleetbrake.store import lake as lakes
from fleetbrake.store import runs
from fleetbrake.store.ageing.dropped_rows import kept_rows, remember_dropped
from fleetbrake.store.ageing.retention import RetentionPolicy
from fleetbrake.store.database import reading
from fleetbrake.store.entered import ENTERED_NAME
from fleetbrake.store.forgetting.tombstones import KEY_NAME, TOMBSTONES_NAME
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.readings import READINGS_NAME
from fleetbrake.store.remembered import REMEMBERED_NAME
from fleetbrake.store.run_numbers import RUNS_NAME
from fleetbrake.upkeep.check import check_store
from fleetbrake.upkeep.forget import forget_driver
from fleetbrake.upkeep.holds import hold
from fleetbrake.upkeep.retention import retain
from tests.faults.kill_fleet import BEFORE, FORGOTTEN, enter_some, write_parts
from tests.faults.kill_state import State, differences, state_of
from tests.faults.tally import Tally

#: Parts that are lost together, and whether each is gone, or else an older copy.
Loss = tuple[tuple[str, bool], ...]

#: Files and folders of a store that hold something: each may be lost by itself.
PARTS: Final = (
    *("fleet.duckdb", REMEMBERED_NAME, FORMAT_NAME, READINGS_NAME, ENTERED_NAME, RUNS_NAME),
    *("lake", "lake/log.parquet", "lake/blocks.parquet", "lake/blocks", "lake/events", "lake/event_wheels"),
    *("registers", "registers/vehicles.parquet", "registers/trips.parquet", "registers/defect_reports.parquet"),
    *(TOMBSTONES_NAME, KEY_NAME, "holds.json", "held", "retention.json", "dropped.parquet", "driver-aliases.key"),
)
#: Ages are counted from here: drivers of January are too old at the second.
_RULES: Final = RetentionPolicy(positions_and_drivers_months=3, inspections_months=12)
_CHANGED_RULES: Final = _RULES.model_copy(update={"defect_reports_months": 24})
_RETAINED_ON: Final = (date(2026, 3, 2), date(2026, 6, 2))
_NIGHT: Final = datetime(2026, 3, 1, tzinfo=UTC)


class Ground:
    """A store as it was, as it is, and as a night leaves it where nothing is lost.

    Attributes
    ----------
    older, newest : the store at a time and later, when every part of it had changed that ever changes.
    """

    def __init__(self, folder: Path) -> None:
        self.folder, self.older, self.newest = folder, folder / "older", folder / "newest"
        write_parts(folder / "fleet")
        self.new = folder / "fleet" / "new"
        one = max((folder / "fleet" / "later").rglob("*.parquet"))
        (self.new / one.parent.name).mkdir(parents=True)
        one.rename(self.new / one.parent.name / one.name)
        with patch.object(lakes, "FOLD_FROM", 5):
            self._first(self.older)
            shutil.copytree(self.older, self.newest)
            self._more(self.newest)
        self.parts = tuple(name for name in PARTS if (self.newest / name).exists())
        self._day, self._right, self._beside = _today(), *self._after_night()

    def trial(self, loss: Loss) -> tuple[str, str | None]:
        """What became of it where these parts are gone or older; and what went against what must hold."""
        while True:
            day, ended = _today(), self._ended(loss)
            if day == self._day == _today():  # scores tell of the day on which they were made
                return ended
            self._day, self._right, self._beside = _today(), *self._after_night()

    def _ended(self, loss: Loss) -> tuple[str, str | None]:
        store = self.folder / "tried" / "store"
        shutil.rmtree(store.parent, ignore_errors=True)
        shutil.copytree(self.newest, store)
        for name, gone in loss:
            _lose(store / name, None if gone else self.older / name)
        told = _told_by(lambda: _night(store, self.new))
        if told is not None:
            return told, None
        wrong = differences(_state(store), self._right) + _other_than(_beside(store), self._beside)
        if not wrong:
            return "set right", None
        said = [one for part in check_store(store).outcomes for one in part.wrong.all()]
        return ("told by check alone" if said else "unseen"), (None if said else "; ".join(wrong))

    def _first(self, store: Path) -> None:
        pipeline.ingest([self.folder / "fleet" / "first"], store, registers=self.folder / "fleet" / "registers")
        pipeline.score(store)
        forget_driver(store, BEFORE)
        enter_some(store)
        vehicles = _vehicles(store)
        hold(store, reason="collision", by="clerk", vehicle_id=vehicles[1])
        retain(store, _RULES, _RETAINED_ON[0])
        remember_dropped(store, "inspections", [{"inspection_id": "old-1", "vehicle_id": vehicles[0]}])
        _ended_run(store, 1)
        pipeline.plan(store)

    def _more(self, store: Path) -> None:
        parts = [self.folder / "fleet" / name for name in ("first", "later")]
        pipeline.ingest(parts, store, registers=self.folder / "fleet" / "registers-later")
        pipeline.score(store)
        forget_driver(store, FORGOTTEN)
        vehicles = _vehicles(store)
        fix_date(store, vehicles[2], date(2026, 1, 29), "planner")
        hold(store, reason="collision", by="clerk", vehicle_id=vehicles[2])
        retain(store, _CHANGED_RULES, _RETAINED_ON[1])
        remember_dropped(store, "inspections", [{"inspection_id": "old-2", "vehicle_id": vehicles[0]}])
        _ended_run(store, 2)
        pipeline.plan(store)

    def _after_night(self) -> tuple[State, dict[str, object]]:
        store = self.folder / "right" / "store"
        shutil.rmtree(store.parent, ignore_errors=True)
        shutil.copytree(self.newest, store)
        told = _told_by(lambda: _night(store, self.new))
        if told is not None:
            raise AssertionError(told)
        return _state(store), _beside(store)


def _today() -> date:
    return datetime.now(UTC).date()


def _state(store: Path) -> State:
    return state_of(store, store.parent / "no-reports")


def _beside(store: Path) -> dict[str, object]:
    """What a state does not tell of: it is not compared after kills, or named by moments."""
    key, rows = store / "driver-aliases.key", kept_rows(store)
    return {
        "history of runs": [repr(vars(run)) for run in runs.last_runs(store, 99)],
        "dropped rows": sorted(map(repr, rows.to_pylist())),
        "aliases": key.read_bytes() if key.exists() else None,
        "held copies": sorted(path.relative_to(store).as_posix() for path in (store / "held").rglob("*")),
    }


def _other_than(found: dict[str, object], right: dict[str, object]) -> list[str]:
    return [name for name in right if found[name] != right[name]]


def _vehicles(store: Path) -> list[str]:
    with reading(store) as con:
        return [row[0] for row in con.execute("SELECT vehicle_id FROM vehicles ORDER BY 1").fetchall()]


def _ended_run(store: Path, number: int) -> None:
    began = _NIGHT + timedelta(days=number)
    runs.begin(store, f"run-{number}", "nightly", began, None)
    runs.end(store, f"run-{number}", began, runs.Outcome.DONE, 0, {"files": 3})


def _lose(path: Path, older: Path | None) -> None:
    """Take the part away, and put the older one in its place, if there was one."""
    if path.is_dir():
        shutil.rmtree(path)
    path.unlink(missing_ok=True)
    if older is None or not older.exists():
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    (shutil.copytree if older.is_dir() else shutil.copy2)(older, path)


def _night(store: Path, new: Path) -> list[str]:
    """Read one recording, publish, drop what is too old, score and plan; what was told."""
    told = pipeline.ingest([new], store).problems
    retain(store, today=_RETAINED_ON[1])
    pipeline.score(store)
    pipeline.plan(store)
    return [*told, *pipeline.not_counted(store)]


def _told_by(run: Callable[[], list[str]]) -> str | None:
    try:
        return "told" if run() else None
    except (StoreError, InputError):
        return "refused"


def lost_together(parts: tuple[str, ...], most: int) -> Iterator[Loss]:
    """So many parts at most, one and more at a time, each gone or older; none that is within another one of them."""
    for number in range(1, most + 1):
        for names in combinations(parts, number):
            if not any(one.startswith(f"{other}/") for one in names for other in names):
                for gone in product((False, True), repeat=number):
                    yield tuple(zip(names, gone, strict=True))


def tried(ground: Ground, losses: Iterable[Loss]) -> Tally:
    """These losses."""
    tally = Tally("parts of a store gone or older, one and two at a time")
    with tally.timed():
        for loss in losses:
            part, wrong = ground.trial(loss)
            how = " and ".join(f"{name} {'gone' if gone else 'older'}" for name, gone in loss)
            tally.add(part, None if wrong is None else f"{how}: {wrong}")
    return tally


def drawn(ground: Ground, number: int, seed: int) -> list[Loss]:
    """So many of all losses."""
    return random.Random(seed).sample(list(lost_together(ground.parts, 2)), number)


def LONG(seed: int, minutes: float) -> list[Tally]:
    """All of them."""
    del seed, minutes
    with tempfile.TemporaryDirectory() as folder:
        ground = Ground(Path(folder))
        return [tried(ground, lost_together(ground.parts, 2))]
