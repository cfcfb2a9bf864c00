"""Loads the product, its kernels and all that its commands load late: children of the process that did are ready."""

import gc
import os
import sys
import tempfile
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[2]), str(Path(__file__).resolve().parents[1])]

from faults.places_world import make_world, small_world  # noqa: E402

from fleetbrake import cli, cli_jobs, pipeline, upkeep  # noqa: E402, F401
from fleetbrake.reports.monthly import month  # noqa: E402, F401 - not run here: threads of the typesetter do not fork
from fleetbrake.unattended import nightly  # noqa: E402, F401


def _warm() -> None:
    """One run of everything, in a folder that goes."""
    "".encode("utf-16-le")  # loaded late, from where another user may not read
    with tempfile.TemporaryDirectory(prefix="faults-warm-") as folder:
        world = make_world(Path(folder), small_world)
        pipeline.score(world.store)
        pipeline.plan(world.store)


if "FLEETBRAKE_TEST_COLD" not in os.environ:
    _warm()
    gc.collect()
    gc.freeze()  # what is loaded stays: children do not copy it for the sake of the collector
