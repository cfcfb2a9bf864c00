"""``kill -9`` at counted moments, in the long form: at random ones, inside every phase, before the file operations.

Each trial takes some 2 s of the processor.
"""

import random
import tempfile
from collections.abc import Iterator
from itertools import cycle, islice
from pathlib import Path
from typing import Final

from faults.kill_marks import PHASES
from faults.kill_run import Ground, Trial
from faults.tally import Tally

RANDOM, EACH_PHASE = 200, 20
#: The share of random kills after which the next run is killed as well.
_TWICE: Final = 0.25
#: Five operations make, force, rename and tidy one file: with a step of seven each kind comes up in turn.
_STEPS: Final = {"report": 7, "retain": 7}
#: Commands that the random moments are spread over; all are killed before each of their operations.
SPREAD: Final = ("ingest", "ingest of more", "score", "plan", "report", "publish", "publish anew")


def random_moments(ground: Ground, number: int, seed: int, names: tuple[str, ...] = SPREAD) -> Tally:
    """So many kills at random moments, spread evenly over the commands."""
    tally = Tally("kill -9 at a random moment")
    rng = random.Random(seed)
    with tally.timed():
        for at, name in enumerate(islice(cycle(names), number)):
            made = ground.at_random(name, rng, second=rng.random() < _TWICE)
            _count(tally, name, made, f"seed {seed}, number {at}")
    return tally


def inside_phases(ground: Ground, each: int, seed: int, names: tuple[str, ...] | None = None) -> Tally:
    """So many kills inside each phase, each of a process that is in it: of all commands in turn, or of those named."""
    tally = Tally("kill -9 inside a phase")
    rng = random.Random(seed)
    visits = set(ground.phases())
    with tally.timed():
        for phase in PHASES:
            through = [name for name in names or ground.undisturbed if (phase, name) in visits]
            for at, name in enumerate(islice(cycle(through), each)):
                _count(tally, phase, ground.within(name, phase, rng), f"seed {seed}, {phase}, number {at}")
    return tally


def before_operations(ground: Ground, names: Iterator[tuple[str, int]]) -> Tally:
    """A kill before each of these operations on files (command, number)."""
    tally = Tally("kill -9 before a file operation")
    with tally.timed():
        for name, number in names:
            made = ground.trial(name, {"operation": number})
            _count(tally, name, made if made.killed or made.wrong else None, f"{name}, operation {number}")
    return tally


def every_operation(ground: Ground) -> Iterator[tuple[str, int]]:
    """Every file operation of every command, by its number; of two that do the same to many files every seventh."""
    for name, known in ground.undisturbed.items():
        for number in range(1, known.seen["operations"] + 1, _STEPS.get(name, 1)):
            yield name, number


def _count(tally: Tally, part: str, made: Trial | None, again: str) -> None:
    """Only a kill of a command that was still at work is a trial; a trial that cannot be had is told."""
    if made is None:
        tally.parts["too late"] += 1
        return
    tally.add(part, f"{again}: {'; '.join(made.wrong)}" if made.wrong else None)


def LONG(seed: int, minutes: float) -> list[Tally]:
    """All of it; goes by number, not by time."""
    del minutes
    with tempfile.TemporaryDirectory() as folder, Ground(Path(folder)) as ground:
        return [
            random_moments(ground, RANDOM, seed),
            inside_phases(ground, EACH_PHASE, seed),
            before_operations(ground, every_operation(ground)),
        ]
