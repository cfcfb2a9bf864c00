"""Counted trials: how many there were, what came of each, and which ones went against what must hold."""

import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

#: Makes all trials of one long form from a seed, in at most so many minutes where it goes by time.
LongForm = Callable[[int, float], list["Tally"]]


@dataclass
class Tally:
    """One kind of trial.

    Attributes
    ----------
    name : what was tried, as the table of figures says it.
    parts : how often each kind of ending or phase came up, by its name.
    failures : one sentence each, with what makes the trial again (seed, number).
    """

    name: str
    trials: int = 0
    parts: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def add(self, part: str, failure: str | None = None) -> None:
        """Count one trial."""
        self.trials += 1
        self.parts[part] += 1
        if failure is not None:
            self.failures.append(failure)

    @contextmanager
    def timed(self) -> Iterator[None]:
        """Add the time that the block takes."""
        began = time.monotonic()
        try:
            yield
        finally:
            self.seconds += time.monotonic() - began

    def line(self) -> str:
        """A row of the table of figures."""
        parts = ", ".join(f"{name} {count}" for name, count in self.parts.most_common())
        return f"| {self.name} | {self.trials} | {parts} | {len(self.failures)} | {self.seconds:.0f} s |"
