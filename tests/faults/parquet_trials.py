"""Mutated recordings, each read as ingest reads it by a process within bounds."""

import shutil
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from faults.odd_trials import changed_rows, not_numbers, write_sound
from faults.parquet_bounds import NET, Bounded, against, ending
from faults.parquet_mutations import made, plan
from faults.tally import Tally

from fleetbrake.pipeline import ingest
from fleetbrake.store.log import read_log

FILES: Final = 10_000
IN_A_GROUP: Final = 50
#: Number of the first file in an ingest: not those that were read one by one.
GROUPED: Final = 1_000_000


def try_files(reading: Bounded, seed: int, files: Iterable[tuple[str, int]]) -> Tally:
    """Read each of these files of the families."""
    tally = Tally("damaged, wrong and hostile recordings")
    with tally.timed():
        for family, number in files:
            data, said = made(family, seed, number)
            told = reading.read(data)
            wrong = against(told)
            again = f"made({family!r}, {seed}, {number}): {said}"
            tally.add(ending(told), None if wrong is None else f"{again[:300]}: {wrong}")
    return tally


def try_ingests(folder: Path, seed: int, first: int, groups: int) -> Tally:
    """Ingest damaged files with sound ones, group by group; the sound ones' rows are those they have alone."""
    tally = Tally("ingests of 50 damaged files and sound ones")
    sound = folder / "sound"
    write_sound(sound)
    alone = folder / "alone"
    ingest([sound], alone)
    with tally.timed():
        for group in range(first, first + groups):
            bad, store = folder / f"bad-{group}", folder / f"store-{group}"
            bad.mkdir()
            names = {}
            for place, (family, _) in enumerate(plan(IN_A_GROUP)[:IN_A_GROUP]):
                data, said = made(family, seed, GROUPED + 100 * group + place)
                path = bad / f"{place:03d}.parquet"
                path.write_bytes(data)
                names[str(path.resolve())] = f"made({family!r}, {seed}, {GROUPED + 100 * group + place}): {said}"
            ingest([sound, bad], store)
            tally.add("ingested", _of_group(alone, store, names))
            shutil.rmtree(bad)
            shutil.rmtree(store)
    return tally


def _of_group(alone: Path, store: Path, names: dict[str, str]) -> str | None:
    log = {entry.path: entry for entry in read_log(store)}
    lost = [said for path, said in names.items() if path not in log]
    if lost:
        return f"not in the log: {lost}"
    silent = [said for path, said in names.items() if log[path].status == "rejected" and not log[path].reason]
    if silent:
        return f"rejected without a reason: {silent}"
    net = [f"{said}: {log[path].reason}" for path, said in names.items() if NET.search(log[path].reason or "")]
    if net:
        return f"not foreseen: {net}"
    return "; ".join([*not_numbers(store), *changed_rows(alone, store)]) or None


def LONG(seed: int, minutes: float) -> list[Tally]:
    """All families by their weight, alone and in ingests; one with a million columns besides."""
    with TemporaryDirectory() as folder:
        with Bounded(Path(folder)) as reading:
            whole = try_files(reading, seed, [*plan(FILES), ("a million columns", 0)])
        return [whole, try_ingests(Path(folder), seed, 0, 20)]
