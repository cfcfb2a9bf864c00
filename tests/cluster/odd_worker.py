"""Preloaded into workers: what some of them meet, and what some of them are. Steered by names of files and variables.

A recording whose name begins with ``once`` ends the worker that reads it the first time, without a word, as a machine
does that loses its power; one that begins with ``poison`` each time; ``slow`` ones wait until they may go on.
``FLEETBRAKE_SAYS`` is another version to have.
"""

import os
import signal
import time
from pathlib import Path
from typing import Any

import fleetbrake


def dask_setup(worker: Any) -> None:
    """Called by the engine when the worker starts."""
    fleetbrake.__version__ = os.environ.get("FLEETBRAKE_SAYS", fleetbrake.__version__)
    from fleetbrake import taking_in

    real = taking_in.open_recording

    def opened(data: Any, *rest: Any, **more: Any) -> Any:
        name = data.name
        if name.startswith("poison") or (name.startswith("once") and _first_time(name)):
            os.kill(os.getpid(), signal.SIGKILL)
        if name.startswith("slow") and _first_time(name):
            end = time.monotonic() + 60.0
            while not (Path(os.environ["FLEETBRAKE_ONCE"]) / f"go-{name}").exists() and time.monotonic() < end:
                time.sleep(0.02)
        return real(data, *rest, **more)

    taking_in.open_recording = opened


def _first_time(name: str) -> bool:
    try:
        (Path(os.environ["FLEETBRAKE_ONCE"]) / name).touch(exist_ok=False)
    except FileExistsError:
        return False
    return True
