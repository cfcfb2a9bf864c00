"""How fast a night's recordings are taken in, held against what decoding alone costs; prints Markdown, asserts nothing.

    python tests/benchmarks/throughput.py [--samples 1e6 1e7 1e8] [--quick] [--repeats 3] [--folder DIR] [--keep]
                                          [--events 120] [--skip PART ...] [--json FILE] [--all]

Every figure comes from a process of its own: ``fleetbrake ingest`` into a fresh store, and pyarrow decoding the same
columns of the same files with as many threads, in two ways: plainly, and as quickly as its own settings allow; the
quicker one counts. Runs of both take turns, so that whatever else the machine does meets
both alike; the spread over the repeats is printed. On a shared machine the processor's seconds say more than the
clock's. 100 million samples take some 3 GB below ``--folder``, removed at the end unless ``--keep``, which also takes
the simulated fleet that an earlier run left there. ``--quick`` is 1 and 3 million. ``--all`` runs the benchmarks of
scoring, publishing and several machines too, as far as they are there.
"""

import argparse
import json
import shutil
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.throughput_parts import made, tables
from tests.benchmarks.throughput_parts.decode import WAYS
from tests.benchmarks.throughput_parts.machine import described
from tests.benchmarks.throughput_parts.spent import ROOT, Spent, module, product, run

#: Benchmarks of other parts, run by ``--all`` where they exist.
OTHERS = ("scoring.py", "publish.py", "cluster.py")


#: What can be left out besides the sizes.
PARTS = ("compiling", "start", "plain", "stages")


@dataclass
class Measured:
    """All that was found out; what is empty was not asked for."""

    data: list[made.Made] = field(default_factory=list)
    decode: dict[str, dict[int, list[Spent]]] = field(default_factory=lambda: {way: {} for way in WAYS})
    ingest: dict[int, list[Spent]] = field(default_factory=dict)
    again: list[Spent] = field(default_factory=list)
    start: dict[str, list[Spent]] = field(default_factory=dict)
    compiling: list[tuple[Spent, int]] = field(default_factory=list)
    compiling_said: str = ""
    plain: dict[str, float] = field(default_factory=dict)
    stages: dict[str, Any] = field(default_factory=dict)
    kept: dict[str, float] = field(default_factory=dict)


def say(text: str) -> None:
    """Progress, beside the result."""
    print(text, file=sys.stderr, flush=True)


def measure_sizes(found: Measured, folder: Path, repeats: int) -> None:
    """Decoding and ingest of every size in turns; the last ingest is done again over a store that knows the files."""
    for turn in range(repeats):
        for data in found.data:
            say(f"turn {turn + 1} of {repeats}: {data.samples / 1e6:.1f} million samples")
            for way, runs in found.decode.items():
                spent, words = run(module("decode", data.folder, way))
                if int(words) != data.samples:
                    raise RuntimeError(f"decoded {words} rows instead of {data.samples}")
                runs.setdefault(data.samples, []).append(spent)
            store = folder / "store"
            shutil.rmtree(store, ignore_errors=True)
            spent, words = run(product("ingest", data.folder, "--store", store, "--json"))
            done = json.loads(words.splitlines()[-1])
            if done["rows"] != data.samples:
                raise RuntimeError(f"took in {done['rows']} rows instead of {data.samples}")
            found.ingest.setdefault(data.samples, []).append(spent)
            found.kept = {"events": done["events"], **kept(store)}
    found.again.append(run(product("ingest", found.data[-1].folder, "--store", folder / "store", "--json"))[0])


def kept(store: Path) -> dict[str, float]:
    """Bytes of a store's lake with its log, and of its published database."""
    lake = sum(path.stat().st_size for path in (store / "lake").rglob("*") if path.is_file())
    return {"lake_bytes": lake, "database_bytes": (store / "fleet.duckdb").stat().st_size}


def measure_start(found: Measured, repeats: int) -> None:
    """How long the command takes to say its version and the help of ``ingest``."""
    for words in (("--version",), ("ingest", "--help")):
        runs = [run(product(*words))[0] for _ in range(2 * repeats + 1)]
        found.start["fleetbrake " + " ".join(words)] = runs[1:]  # the first one reads the files from the disk


def measure_compiling(found: Measured, folder: Path) -> None:
    """A first and a second ingest of one vehicle with an empty folder of compiled code: time, and files compiled."""
    one = next(iter(sorted(found.data[0].folder.iterdir())))
    cache = folder / "compiled"
    known = 0
    for turn in range(2):
        shutil.rmtree(folder / "store", ignore_errors=True)
        spent, words = run(
            product("ingest", one, "--store", folder / "store"),
            {"NUMBA_CACHE_DIR": str(cache), "XDG_CACHE_HOME": str(cache)},
        )
        files = sum(1 for path in cache.rglob("*") if path.is_file())
        say(f"compiling, run {turn + 1}: {spent.processor_s:.1f} s, {files - known} files of compiled code")
        found.compiling.append((spent, files - known))
        known = files
        if turn == 0:
            found.compiling_said = next((line.strip() for line in words.splitlines() if "compil" in line.lower()), "")


def measure_plain(found: Measured, events: int) -> None:
    """The plain loop over some events, against the product over the same."""
    _, words = run(module("plain", found.data[0].folder, events))
    found.plain = json.loads(words.splitlines()[-1])


def measure_stages(found: Measured, folder: Path) -> None:
    """Where the time goes, at the second size (the first one where there is no other)."""
    data = found.data[min(1, len(found.data) - 1)]
    shutil.rmtree(folder / "store", ignore_errors=True)
    _, words = run(module("stages", data.folder, folder / "store"))
    found.stages = json.loads(words.splitlines()[-1])


def others() -> str:
    """What the other benchmarks print."""
    parts = []
    for name in OTHERS:
        place = ROOT / "tests" / "benchmarks" / name
        if place.exists():
            say(f"running {name}")
            parts.append(f"`python tests/benchmarks/{name}`:\n\n{run([sys.executable, str(place)])[1]}")
    return "\n".join(parts)


def measure(sizes: Sequence[int], folder: Path, repeats: int, events: int, skip: Sequence[str] = ()) -> Measured:
    """Make the recordings and measure everything but the parts to skip."""
    found = Measured()
    say("making recordings")
    vehicles = made.base(folder / "base")
    for size in sorted(sizes):
        place = folder / f"samples-{size}"
        shutil.rmtree(place, ignore_errors=True)
        found.data.append(made.recordings(place, size, vehicles))
    if "compiling" not in skip:
        measure_compiling(found, folder)
    if "start" not in skip:
        measure_start(found, repeats)
    shutil.rmtree(folder / "store", ignore_errors=True)
    one = next(iter(sorted(found.data[0].folder.iterdir())))
    run(product("ingest", one, "--store", folder / "store"))  # compiled code is there from now on
    measure_sizes(found, folder, repeats)
    if "plain" not in skip:
        measure_plain(found, events)
    if "stages" not in skip:
        measure_stages(found, folder)
    return found


def main() -> None:
    """Measure and print."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--samples", type=float, nargs="+", default=[1e6, 1e7, 1e8])
    asked.add_argument("--quick", action="store_true", help="1 and 3 million samples")
    asked.add_argument("--repeats", type=int, default=3)
    asked.add_argument("--events", type=int, default=120, help="events for the plain loop")
    asked.add_argument("--folder", type=Path, help="where to put the recordings (else a temporary folder)")
    asked.add_argument("--keep", action="store_true", help="leave the recordings where they are")
    asked.add_argument("--skip", nargs="*", choices=PARTS, default=[], help="parts that are not measured")
    asked.add_argument("--json", type=Path, help="write the figures for arithmetic.py")
    asked.add_argument("--all", action="store_true", help="the other benchmarks too")
    given = asked.parse_args()
    sizes = [1_000_000, 3_000_000] if given.quick else sorted({int(size) for size in given.samples})
    if len(sizes) < 2:
        asked.error("a slope needs two sizes")
    if given.folder:
        given.folder.mkdir(parents=True, exist_ok=True)
    kept = given.folder if given.keep else None
    folder = (kept or Path(tempfile.mkdtemp(prefix="throughput-", dir=given.folder))).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    try:
        found = measure(sizes, folder, given.repeats, given.events, given.skip)
        print("\n".join(described()) + "\n\n" + tables.markdown(found))
        if given.json:
            given.json.write_text(json.dumps(tables.figures(found), indent=1) + "\n", encoding="utf-8")
        if given.all:
            print(others())
    finally:
        if not given.keep:
            shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
