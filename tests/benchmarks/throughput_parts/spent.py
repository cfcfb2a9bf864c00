"""What a command costs: clock, processor and peak memory of a child process; slopes and ratios between runs."""

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]


@dataclass(frozen=True)
class Spent:
    """One run: seconds by the clock, of the processor in the program and in the system, peak resident memory in MiB."""

    clock_s: float
    user_s: float
    system_s: float
    peak_mib: float

    @property
    def processor_s(self) -> float:
        """Seconds that the run kept a processor busy, all threads together."""
        return self.user_s + self.system_s


def run(command: Sequence[str], more_environment: Mapping[str, str] | None = None) -> tuple[Spent, str]:
    """Run a command to its end in the repository's folder; what it cost, and what it printed.

    Raises ``RuntimeError`` with the end of its words where it fails: a failed run has no cost.
    """
    with tempfile.TemporaryFile() as said:
        began = time.perf_counter()
        environment = {**os.environ, **(more_environment or {})}
        child = subprocess.Popen(command, cwd=ROOT, stdout=said, stderr=subprocess.STDOUT, env=environment)
        _, status, used = os.wait4(child.pid, 0)
        clock = time.perf_counter() - began
        child.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        text = said.read().decode(errors="replace")
    if child.returncode:
        raise RuntimeError(f"{' '.join(command)} ended with {child.returncode}: {text[-2000:]}")
    return Spent(clock, used.ru_utime, used.ru_stime, used.ru_maxrss / 1024.0), text


def module(name: str, *arguments: object) -> list[str]:
    """The command that runs one of these modules with this interpreter."""
    return [sys.executable, "-m", f"tests.benchmarks.throughput_parts.{name}", *map(str, arguments)]


def product(*arguments: object) -> list[str]:
    """The product's own command, as installed beside this interpreter."""
    found = Path(sys.executable).with_name("fleetbrake")
    return [str(found), *map(str, arguments)]


@dataclass(frozen=True)
class Slope:
    """Cost of one more sample, ns, and what a run costs without any, s; ``least`` and ``most`` ns over the repeats."""

    each_ns: float
    least_ns: float
    most_ns: float
    fixed_s: float


def slope(small: int, of_small: Sequence[float], large: int, of_large: Sequence[float]) -> Slope:
    """Line through the medians of the repeats at two sizes; repeats are paired for the spread.

    Raises ``ValueError`` for sizes that do not rise or repeats that do not pair.
    """
    if large <= small or not of_small or len(of_small) != len(of_large):
        raise ValueError("two sizes, the second one larger, with as many repeats each")
    each = (statistics.median(of_large) - statistics.median(of_small)) / (large - small)
    pairs = [(b - a) / (large - small) for a, b in zip(of_small, of_large, strict=True)]
    fixed = statistics.median(of_small) - each * small
    return Slope(1e9 * each, 1e9 * min(pairs), 1e9 * max(pairs), fixed)


def ratio(over: Slope, under: Slope) -> float:
    """How many times as much one more sample costs."""
    return over.each_ns / under.each_ns
