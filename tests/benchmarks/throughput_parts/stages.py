"""Where the time of an ingest goes: one run in this process with a clock around each stage, then a profile.

    python -m tests.benchmarks.throughput_parts.stages RECORDINGS STORE

The stages are timed by the processor time of the thread that does them (two threads read files side by side), the
whole by that of the process; the profile is of ``features()`` on one thread, as shares of it. JSON on the last line.
"""

import cProfile
import json
import pstats
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fleetbrake import pipeline, taking_in
from fleetbrake.features.build import features
from fleetbrake.recordings.reader import open_recording
from fleetbrake.store.gathering import Gathering
from fleetbrake.store.lake import Lake


class Clock:
    """Adds up the seconds that wrapped functions take, over all threads."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._lock = threading.Lock()

    def around(self, owner: Any, name: str, stage: str, now: Callable[[], float]) -> None:
        """Put a clock around ``owner.name``; ``AttributeError`` where that is no more."""
        plain = getattr(owner, name)

        def timed(*given: Any, **named: Any) -> Any:
            began = now()
            try:
                return plain(*given, **named)
            finally:
                with self._lock:
                    self.seconds[stage] = self.seconds.get(stage, 0.0) + now() - began

        setattr(owner, name, timed)


def shares(recordings: Path, store: Path) -> dict[str, float]:
    """Processor seconds of each stage of one ingest; compiled code is there already."""
    clock = Clock()
    for owner, name, stage in (
        (taking_in, "read_file", "files"),
        (taking_in, "features", "features"),
        (Gathering, "write_piece", "gathered"),
        (Lake, "write_block", "lake"),
        (Lake, "add_blocks", "lake"),
    ):
        clock.around(owner, name, stage, time.thread_time)
    for name in ("commit_log", "_publish"):
        clock.around(pipeline, name, "log and publishing", time.process_time)
    began = time.process_time()
    pipeline.ingest([recordings], store)
    whole = time.process_time() - began
    part = {"lake": 0.0, **clock.seconds}  # few files make no block
    reading = part["files"] - part["features"] - part["gathered"]
    rest = whole - part["files"] - part["lake"] - part["log and publishing"]
    return {
        "opening, fingerprint, decoding, validation, assembly": reading,
        "kinematics, detection, features": part["features"],
        "writing to the lake": part["gathered"] + part["lake"],
        "log and publishing": part["log and publishing"],
        "the rest (finding files, handing out, other threads)": rest,
    }


def profile(files: list[Path]) -> dict[tuple[str, str], float]:
    """Own time of every function under ``features()``, as a share of it; by module and name."""
    watch = cProfile.Profile(time.process_time)
    for path in files:
        for batch in open_recording(path).batches():
            watch.enable()
            features(batch)
            watch.disable()
    stats: dict[tuple[str, int, str], Any] = pstats.Stats(watch).stats  # type: ignore[attr-defined]
    whole = sum(row[2] for row in stats.values())
    found: dict[tuple[str, str], float] = {}
    for (file, _, name), row in stats.items():
        owner = Path(file).stem if "fleetbrake" in file else "libraries"
        found[owner, name] = found.get((owner, name), 0.0) + row[2] / whole
    return found


def greatest(found: dict[str, float], most: int) -> list[tuple[str, float]]:
    """The greatest shares, the greatest first."""
    return sorted(found.items(), key=lambda item: -item[1])[:most]


def main() -> None:
    """Warm up on one file, then time and profile."""
    recordings, store = Path(sys.argv[1]), Path(sys.argv[2])
    files = sorted(recordings.rglob("*.parquet"))
    for batch in open_recording(files[0]).batches():
        features(batch)
    stages, found = shares(recordings, store), profile(files[:40])
    modules: dict[str, float] = {}
    for (owner, _), share in found.items():
        modules[owner] = modules.get(owner, 0.0) + share
    functions = {f"{owner}.{name}": share for (owner, name), share in found.items()}
    print(json.dumps({"stages": stages, "profile": greatest(functions, 14), "modules": greatest(modules, 12)}))


if __name__ == "__main__":
    main()
