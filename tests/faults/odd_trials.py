"""Every channel of the contract in turn, and some in pairs, holding what no vehicle shows: ingested and scored.

A fleet of sound vehicles goes with them: its rows must be those that it has alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from faults.odd_channels import odd_of
from faults.parquet_bases import stop_columns
from faults.tally import Tally

from fleetbrake.core.tables import TABLES
from fleetbrake.pipeline import ingest, score
from fleetbrake.recordings.contract import CONTRACT
from fleetbrake.store.database import reading
from fleetbrake.store.log import read_log

#: Stops of one recording: enough that the indicators look at a vehicle. Own choice.
STOPS: Final = 12
SOUND: Final = ("SOUND-1", "SOUND-2", "SOUND-3")
PAIRS: Final = 1000
#: Tables with a row an event, in which a sound vehicle's rows may not change with what others recorded.
OF_EVENTS: Final = {"events": "vehicle_id", "event_wheels": "event_id"}


@dataclass(frozen=True)
class Case:
    """Channels with what they hold, by its name."""

    number: int
    channels: tuple[tuple[str, str], ...]

    @property
    def vehicle_id(self) -> str:
        """Each has a vehicle of its own."""
        return f"ODD-{self.number:05d}"


def singles() -> list[tuple[tuple[str, str], ...]]:
    """Every channel with everything odd that its kind may hold."""
    return [((column.name, what),) for column in CONTRACT for what in odd_of(column.kind)]


def one_each(rng: np.random.Generator) -> list[tuple[tuple[str, str], ...]]:
    """Every channel once, with something odd drawn for it; besides everything odd that times may hold."""
    drawn = [((column.name, str(rng.choice(sorted(odd_of(column.kind))))),) for column in CONTRACT]
    return drawn + [(("timestamp", what),) for what in odd_of("time")]


def pairs(rng: np.random.Generator, count: int) -> list[tuple[tuple[str, str], ...]]:
    """Two to four channels at random, each with something odd."""
    found = []
    for _ in range(count):
        chosen = rng.choice(len(CONTRACT), int(rng.integers(2, 5)), replace=False)
        columns = [CONTRACT[int(place)] for place in chosen]
        found.append(tuple((column.name, str(rng.choice(sorted(odd_of(column.kind))))) for column in columns))
    return found


def cases(channels: Sequence[tuple[tuple[str, str], ...]]) -> list[Case]:
    """With a number each."""
    return [Case(number, one) for number, one in enumerate(channels)]


def write(case: Case, folder: Path, seed: int) -> Path:
    """The recording; cut ones and continuous ones in turn."""
    columns: dict[str, Any] = stop_columns(STOPS, case.vehicle_id, cut=case.number % 2 == 0)
    rng = np.random.default_rng([seed, case.number])
    kinds = {column.name: column.kind for column in CONTRACT}
    for name, what in case.channels:
        columns[name] = odd_of(kinds[name])[what](STOPS * 300, rng)
    path = folder / f"{case.vehicle_id}.parquet"
    pq.write_table(pa.table(columns), path)
    return path


def write_sound(folder: Path) -> None:
    """The sound vehicles' recordings."""
    folder.mkdir()
    for vehicle in SOUND:
        pq.write_table(pa.table(stop_columns(STOPS, vehicle)), folder / f"{vehicle}.parquet")


def try_channels(folder: Path, seed: int, tried: Sequence[Case]) -> Tally:
    """Ingest and score them with the sound ones, and those alone; what went against what must hold."""
    tally = Tally("channels that hold what no vehicle shows")
    with tally.timed():
        sound, odd = folder / "sound", folder / "odd"
        write_sound(sound)
        odd.mkdir()
        paths = {str(write(case, odd, seed).resolve()): case for case in tried}
        alone, both = folder / "alone", folder / "both"
        ingest([sound], alone)
        ingest([sound, odd], both)
        for store in (alone, both):
            score(store)
        log = {entry.path: entry for entry in read_log(both)}
        for path, case in paths.items():
            entry = log.get(path)
            tally.add("lost" if entry is None else entry.status, _of_entry(case, entry))
        tally.failures += not_numbers(both) + changed_rows(alone, both)
    return tally


def _of_entry(case: Case, entry: Any) -> str | None:
    if entry is None:
        return f"{case}: not in the log"
    if entry.status == "rejected" and not entry.reason:
        return f"{case}: rejected without a reason"
    if entry.reason and "cannot be read (" in entry.reason:
        return f"{case}: {entry.reason}"
    return None


def not_numbers(store: Path) -> list[str]:
    """Cells of published tables that are infinite or no number: what is not known is NULL."""
    found = []
    with reading(store) as con:
        for table in TABLES:
            columns = con.execute(f'DESCRIBE "{table}"').fetchall()
            for name, kind, *_ in columns:
                if kind in ("DOUBLE", "FLOAT"):
                    question = f'SELECT count(*) FROM "{table}" WHERE NOT isfinite("{name}")'
                    count = con.execute(question).fetchall()[0][0]
                    found += [f"{table}.{name}: {count} cells are no numbers"] if count else []
    return found


def changed_rows(alone: Path, both: Path) -> list[str]:
    """Tables whose rows of sound vehicles are others than when these are alone."""
    found = []
    for table, column in OF_EVENTS.items():
        rows = []
        for store in (alone, both):
            with reading(store) as con:
                told = con.execute(f"SELECT * FROM \"{table}\" WHERE {column} LIKE 'SOUND-%'").fetchall()
                rows.append(sorted(tuple(map(repr, row)) for row in told))
        if not rows[0] or rows[0] != rows[1]:
            found.append(f"{table}: rows of sound vehicles are not those that they have alone")
    return found


def LONG(seed: int, minutes: float) -> list[Tally]:
    """Every channel with everything, and pairs."""
    with TemporaryDirectory() as folder:
        rng = np.random.default_rng(seed)
        return [try_channels(Path(folder), seed, cases([*singles(), *pairs(rng, PAIRS)]))]
