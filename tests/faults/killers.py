"""Recordings whose reading ends the process that reads them, and programs in which they do.

What kills stands in the file's own bytes, so that it follows the file into any process and is gone when the file is
mended. Nothing in here is imported by the product: a program begins with :data:`KILLS`, and so does the process that
reads alone.
"""

import os
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
from product_run import Stop, stops_file

ROOT = Path(__file__).resolve().parents[2]

#: Begins a program in which such files kill. ``memory`` asks for more than there may be where it is read alone, and is
#: killed as the system does it elsewhere; ``once`` kills elsewhere only.
KILLS = """
import ctypes, os, re, signal, sys
from fleetbrake import alone, taking_in

IS_ALONE = {is_alone}
opened = taking_in.open_recording

def killing(data, *words, **how):
    found = re.search(rb"ends-by-(\\w+)", data.ends(65536))
    by = found[1].decode() if found else ""
    if by == "abort":
        os.abort()
    if by == "null":
        ctypes.string_at(0)
    if by == "kill" or (by in ("memory", "once") and not IS_ALONE):
        os.kill(os.getpid(), signal.SIGKILL)
    if by == "memory":
        taken = bytearray(alone.most_memory())
    return opened(data, *words, **how)

taking_in.open_recording = killing
"""
_ALONE = KILLS.format(is_alone=True) + "alone.main(int(sys.argv[-1]))\n"
#: Begins the program of a run, once what reads may be loaded.
RUN = f"ALONE = {_ALONE!r}\n" + KILLS.format(is_alone=False) + 'alone.PROGRAM = ("-P", "-c", ALONE)\n'
#: The function alone, without anybody who watches.
FUNCTION = (
    RUN
    + "from pathlib import Path\nfrom fleetbrake import pipeline\npipeline.ingest([sys.argv[1]], Path(sys.argv[2]))\n"
)
_PROGRAM = """
from fleetbrake import {module}

watched = {module}.watched

def and_kills(store):
    watched(store)  # goes on in the child, which loads what reads
    exec({run!r}, {{}})

{module}.watched = and_kills
{module}.{main}()
"""
#: Scores and plans take seconds and are no matter here.
_NOT_SCORED = """
import datetime
from fleetbrake import pipeline
pipeline.score, pipeline.plan = lambda *_, **__: datetime.date(2026, 1, 5), lambda *_: 0
"""
#: The command and the night as they are started by name.
COMMAND = _PROGRAM.format(module="cli", main="main", run=RUN)
NIGHT = _PROGRAM.format(module="cli_jobs", main="nightly", run=RUN + _NOT_SCORED)


def recording(number: int, ends_by: str | None = None) -> pa.Table:
    """A small recording of its own vehicle, events and ids; ``ends_by`` says how it ends its reader."""
    stops = [(f"stop-{number}-{i}", Stop(14.0 + number / 4, 3.0 + 0.4 * i)) for i in range(2)]
    table = stops_file(stops, vehicle_id=f"V{number % 5}")
    return table if ends_by is None else table.replace_schema_metadata({"made": f"ends-by-{ends_by}"})


def fleet(folder: Path, files: int, killers: dict[int, str]) -> list[Path]:
    """So many files in a folder; those of ``killers``, by number, end their reader so."""
    folder.mkdir(parents=True)
    paths = []
    for number in range(files):
        paths.append(folder / f"{number:02d}.parquet")
        pq.write_table(recording(number, killers.get(number)), paths[-1])
    return paths


def alone_program() -> tuple[str, ...]:
    """For :data:`fleetbrake.alone.PROGRAM` of a run in which such files do not kill, only where they are read alone."""
    return ("-P", "-c", _ALONE)


def program(code: str, *words: object) -> "subprocess.CompletedProcess[str]":
    """Run one of the programs above."""
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
        timeout=240,
    )
