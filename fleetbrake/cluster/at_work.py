"""On a worker: a bunch of files, one after the other, each as on the machine that has the store."""

import pickle
from functools import lru_cache

from fleetbrake.cluster.told import told
from fleetbrake.core.errors import ClusterError, StoreError
from fleetbrake.core.memory import keep_what_is_freed
from fleetbrake.features.compiled import compile_missing
from fleetbrake.handing_out import Handed, Job, Taken
from fleetbrake.taking_in import read_file


def as_it_is(packed: bytes) -> bytes:
    """A big job, kept by the scheduler so that it goes once to each worker, one that comes later too."""
    return packed


def read_bunch(packed: bytes, bunch: bytes) -> bytes:
    """Read the files of a bunch; what became of each, in order. Packed, since a scheduler need not look into it.

    Raises
    ------
    ClusterError
        This process is of another version, does not see where rows go, or its disk does not take them.
    """
    job = _job(packed)
    files: list[Handed] = pickle.loads(bunch)  # noqa: S301 - from whoever may run anything here
    try:
        taken: list[Taken] = [read_file(handed, job) for handed in files]
    except StoreError as error:
        raise ClusterError(f"{_name()} {error}") from error
    return pickle.dumps(taken)


def packed(job: Job) -> bytes:
    """A job as it is sent, with what this process is."""
    return pickle.dumps((told(), pickle.dumps(job)))


@lru_cache(maxsize=4)
def _job(packed_job: bytes) -> Job:
    """The job, unpacked once by a process: a worker that came when the run was under way is looked at too."""
    from fleetbrake.cluster.fit import other_version, short_of_memory

    theirs, content = pickle.loads(packed_job)  # noqa: S301 - as above
    why = other_version(theirs, told()) or short_of_memory()
    if why:
        raise ClusterError(f"{_name()} {why}")
    job: Job = pickle.loads(content)  # noqa: S301 - as above
    try:
        job.rows.check()  # type: ignore[attr-defined]
    except StoreError as error:
        raise ClusterError(f"{_name()} {error}") from error
    keep_what_is_freed()
    compile_missing()  # workers of one machine that come together do it once
    return job


def _name() -> str:
    from distributed import get_worker

    return f"Worker {get_worker().address}:"
