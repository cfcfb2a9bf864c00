"""What the way over a cluster costs and gains: the same ingest here, and with one and two workers on loopback.

    python tests/benchmarks/cluster.py [--samples 3e6] [--repeats 2] [--workers 1 2] [--folder DIR]

Each worker is a process with one thread on this machine, so that two of them can be twice as fast as one and no faster
than the two threads of a run without them: the difference is what handing out costs. Prints Markdown, asserts nothing.
"""

import argparse
import json
import shutil
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.throughput_parts import made
from tests.benchmarks.throughput_parts.spent import Spent, product, run
from tests.benchmarks.throughput_parts.tables import clock, header, middle, row
from tests.cluster.engine_made import Engine


def ingest(recordings: Path, folder: Path, *more: str) -> Spent:
    """One ingest into a fresh store; what the client alone cost."""
    store = folder / "store"
    shutil.rmtree(store, ignore_errors=True)
    spent, words = run(product("ingest", recordings, "--store", store, "--json", *more))
    if json.loads(words.splitlines()[-1])["rejected"]:
        raise RuntimeError(f"files were rejected: {words[-1000:]}")
    return spent


def with_workers(recordings: Path, folder: Path, workers: int, repeats: int) -> list[Spent]:
    """The same through a scheduler; the first run warms the workers up and is not counted."""
    engine = Engine(folder / f"engine-{workers}")
    try:
        engine.scheduler()
        for k in range(workers):
            engine.worker(f"worker-{k}")
        return [ingest(recordings, folder, "--scheduler", engine.address) for _ in range(repeats + 1)][1:]
    finally:
        engine.end()


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--samples", type=float, default=3e6)
    asked.add_argument("--repeats", type=int, default=2)
    asked.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    asked.add_argument("--folder", type=Path, help="where to put the recordings (else a temporary folder)")
    given = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="cluster-", dir=given.folder) as place:
        folder = Path(place).resolve()
        data = made.recordings(folder / "recordings", int(given.samples), made.base(folder / "base"))
        print(f"{data.samples / 1e6:.1f} million samples in {data.files} files:\n")
        print("\n".join(header("where", "clock (s)", "client: processor (s), peak (MiB)", "clock against one worker")))
        runs = {"here, two threads": [ingest(data.folder, folder) for _ in range(given.repeats + 1)][1:]}
        for workers in given.workers:
            runs[f"{workers} on loopback"] = with_workers(data.folder, folder, workers, given.repeats)
        one = middle(runs.get("1 on loopback", runs["here, two threads"]), clock)
        for where, spent in runs.items():
            used = statistics.median(s.processor_s for s in spent)
            peak = max(s.peak_mib for s in spent)
            seconds = middle(spent, clock)
            print(row(where, f"{seconds:.1f}", f"{used:.1f}, {peak:.0f}", f"{one / seconds:.2f} times as fast"))


if __name__ == "__main__":
    main()
