"""Reads recordings one after the other as ingest does, within bounds: a line with a path in, a line of JSON out.

The processor's time for one file is bounded by a timer that ends this process; memory by its address space. What was
used is told with what became of the file.
"""

import ctypes
import json
import os
import resource
import signal
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent)]

import numpy as np  # noqa: E402
import one_thread  # noqa: E402, F401 - before NumPy
import pyarrow as pa  # noqa: E402

from fleetbrake.core.criteria import DEFAULT  # noqa: E402
from fleetbrake.handing_out import Handed, Job  # noqa: E402
from fleetbrake.recordings import reader  # noqa: E402
from fleetbrake.recordings.mapping import load_mapping, parse_mapping  # noqa: E402
from fleetbrake.recordings.sources import source_of  # noqa: E402
from fleetbrake.store.forgetting.at_rest import at_rest  # noqa: E402
from fleetbrake.taking_in import read_file  # noqa: E402

#: Processor seconds for one file, and bytes of address space beyond those at the start: beyond, this process ends or
#: the allocation fails. Own choices: the first for small files, the second so that no trial brings the machine down.
MOST_S, MOST_SPACE = 20.0, 4 * 2**30


#: By a word in the line: none, alternatives that are looked up in the file's values, that of the heavy vehicles' bus.
MAPPINGS = {
    "": None,
    "alternatives": parse_mapping(
        b'[columns]\nvehicle_id = "vehicle_id"\ntimestamp = "timestamp"\n'
        b'speed_mps = ["speed_mps", "wheel_speed_1l_mps"]\nevent_id = ["event_id", "driver_id"]\n',
        "m.toml",
    ),
    "j1939": load_mapping("j1939"),
}


class Nowhere:
    """Takes rows and forgets them; keeps how many numbers are not finite: what is not known is NULL."""

    def __init__(self) -> None:
        self.infinite: list[str] = []

    def write_piece(self, key: str, events: pa.Table, wheels: pa.Table) -> None:
        for table in (events, wheels):
            for column_name, column in zip(table.column_names, table.columns, strict=True):
                if pa.types.is_floating(column.type):
                    values = column.drop_null().to_numpy()
                    if not np.isfinite(values).all():
                        self.infinite.append(column_name)


def _kib(name: str) -> int:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(name):
            return int(line.split()[1])
    return 0


def _heard() -> list[str]:
    """What the reader takes for a damaged file, by the type of what the decoder raised."""
    heard: list[str] = []
    told = reader._damaged

    def damaged(shown: str, error: Exception) -> Any:
        kind = type(error)
        heard.append(f"{kind.__module__}.{kind.__qualname__}: {str(error)[:120]}")
        return told(shown, error)

    reader._damaged = damaged
    return heard


def main() -> None:
    signal.signal(signal.SIGPROF, signal.SIG_DFL)
    heard, rows = _heard(), Nowhere()
    trim = getattr(ctypes.CDLL(None), "malloc_trim", lambda _: 0)
    out = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # nothing that a library prints gets between the answers
    with TemporaryDirectory() as folder:
        job = Job(at_rest(Path(folder)), rows, None, DEFAULT, "s", datetime.now(UTC))
        warm = sys.stdin.readline().strip()
        read_file(Handed(source_of(warm), warm), job)
        space = _kib("VmSize") * 1024 + MOST_SPACE
        resource.setrlimit(resource.RLIMIT_AS, (space, space))
        base = _kib("VmRSS")
        print(json.dumps({"ready": base}), file=out, flush=True)
        for line in sys.stdin:
            path, mapping = line.rstrip("\n").split("\t")
            its_job = replace(job, mapping=MAPPINGS[mapping])
            heard.clear()
            rows.infinite = []
            Path("/proc/self/clear_refs").write_text("5")  # the peak begins anew
            before = resource.getrusage(resource.RUSAGE_SELF)
            signal.setitimer(signal.ITIMER_PROF, MOST_S)
            taken = read_file(Handed(source_of(path), path), its_job)
            signal.setitimer(signal.ITIMER_PROF, 0)
            after = resource.getrusage(resource.RUSAGE_SELF)
            entry = taken.entry
            told = {
                "status": None if entry is None else entry.status,
                "reason": None if entry is None else entry.reason,
                "events": 0 if entry is None else entry.events,
                "seconds": round(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, 3),
                "mb": max(0, _kib("VmHWM") - base) // 1024,
                "heard": list(heard),
                "infinite": rows.infinite,
            }
            pa.default_memory_pool().release_unused()
            trim(0)  # what was freed goes back: what is left then was kept
            print(json.dumps(told), file=out, flush=True)


if __name__ == "__main__":
    main()
