"""The history of unattended runs that was there and is not any more: what became of a night, and which folders hold
logs, stands nowhere else."""

from pathlib import Path

from fleetbrake.store.remembered import no_copy, remembered
from fleetbrake.store.run_numbers import RUNS_NAME, runs_begun


def lost_runs(store: Path) -> str | None:
    """A sentence where runs were begun that the history lacks; None where it has them all.

    Raises
    ------
    StoreError
        The history, or the note of what the store holds, cannot be read.
    """
    known, now = remembered(store), runs_begun(store)
    if known.runs_file in (0, now.file) and known.runs <= now.last:
        return None
    what = "is gone" if not (store / RUNS_NAME).is_file() else "is an older copy or another file"
    return (
        f"The history of unattended runs {what}: {known.runs} were begun; what became of them, and in which folders "
        "their logs are, is not known any more, and whoever is forgotten may still be named in those logs. Put "
        f"{RUNS_NAME} back from a copy of the store. {no_copy('runs')}"
    )
