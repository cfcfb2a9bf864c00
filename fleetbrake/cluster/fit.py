"""Whether machines can read for this one: the same versions, and the place of the rows in sight."""

from collections.abc import Callable, Mapping
from typing import Any, Final

from fleetbrake.cluster import told as told_module
from fleetbrake.cluster.engine import ANSWER_S, first_line
from fleetbrake.cluster.told import told
from fleetbrake.core.bounded import within
from fleetbrake.core.errors import ClusterError, FleetbrakeError
from fleetbrake.recordings.story import printable
from fleetbrake.store.arriving import Drop

#: At most so many machines, and reasons, are named in a sentence.
_MOST_NAMED = 5
#: A worker that may use less memory is refused (bytes). Measured, MiB of a process: 350 that reads recordings of 1 MB,
#: 460 after one of 46 MB, 520 that had to compile; the engine holds a worker up from four fifths of its limit on.
LEAST_MEMORY: Final = 700 * 2**20


def check_versions(client: Any) -> None:
    """ClusterError if the scheduler or a worker has another version of anything that decides the rows."""
    import cloudpickle  # comes with the engine: nothing here may need it before it is asked for

    cloudpickle.register_pickle_by_value(told_module)
    try:
        theirs = within(ANSWER_S, lambda: client.run(told, on_error="return"))
        scheduler = within(ANSWER_S, lambda: client.run_on_scheduler(told))
    except Exception as error:
        raise ClusterError(
            f"Nothing was read: the cluster cannot be asked for its versions ({first_line(error)})."
        ) from error
    finally:
        cloudpickle.unregister_pickle_by_value(told_module)
    mine = told()
    wrong = {f"worker {name}": why for name, one in sorted(theirs.items()) if (why := other_version(mine, one))}
    why = other_version(mine, scheduler)
    if why:
        wrong = {"the scheduler": why, **wrong}
    if wrong:
        raise ClusterError(f"Nothing was read: {_listed(wrong)}. All need the same, so that all give the same rows.")


def other_version(mine: Mapping[str, str | None], theirs: Any) -> str:
    """What of a machine differs, in words that name both versions; empty if nothing does."""
    if not isinstance(theirs, Mapping):
        return f"cannot be asked for its versions ({first_line(theirs)})"
    if theirs.get("fleetbrake") is None:
        return f"has no fleetbrake, here is {mine['fleetbrake']}"
    words = []
    for name, version in mine.items():
        other = theirs.get(name)
        if other == version or name == "code":
            continue
        words.append(f"has {name} {other or 'not at all'}, here is {version}")
    if not words and theirs.get("code") != mine["code"]:
        version = mine["fleetbrake"]
        words = [f"has fleetbrake {version} of other code ({theirs.get('code')}), here is {version} ({mine['code']})"]
    return " and ".join(words)


def check_sight(client: Any, drop: Drop) -> None:
    """ClusterError if a worker cannot write where the store takes the rows from."""
    try:
        found = within(ANSWER_S, lambda: client.run(sight, drop, on_error="return"))
    except Exception as error:
        raise ClusterError(f"Nothing was read: the workers cannot be asked ({first_line(error)}).") from error
    wrong = {f"worker {name}": str(one) for name, one in sorted(found.items()) if isinstance(one, str)}
    wrong |= {f"worker {name}": first_line(one) for name, one in sorted(found.items()) if isinstance(one, Exception)}
    if wrong:
        raise ClusterError(f"Nothing was read: {_listed(wrong)}. {drop.advice}")


def check_memory(client: Any) -> None:
    """ClusterError if a worker may use less memory than reading takes."""
    try:
        found = within(ANSWER_S, lambda: client.run(short_of_memory, on_error="return"))
    except Exception as error:
        raise ClusterError(f"Nothing was read: the workers cannot be asked ({first_line(error)}).") from error
    wrong = {f"worker {name}": str(one) for name, one in sorted(found.items()) if one is not None}
    if wrong:
        raise ClusterError(
            f"Nothing was read: {_listed(wrong)}. Give them more (--memory-limit), or fewer workers to a machine."
        )


def short_of_memory(dask_worker: Any = None) -> str | None:
    """On a worker: that it may use too little memory; None if it may use enough, or all there is."""
    limit = memory_limit(dask_worker)
    if limit is None or limit >= LEAST_MEMORY:
        return None
    return f"may use {limit / 2**20:.0f} MiB of memory, at least {LEAST_MEMORY / 2**20:.0f} MiB are needed"


def memory_limit(dask_worker: Any = None) -> int | None:
    """On a worker: bytes of memory above which the engine ends it; None without such a limit.

    ``dask_worker``: filled in by the engine where no task is at work.
    """
    from distributed import get_worker

    worker = dask_worker or get_worker()
    return getattr(worker.memory_manager, "memory_limit", None) or None


def sight(drop: Drop) -> str | None:
    """On a worker: why it cannot write where rows are to go; None if it can."""
    return _said(drop.check)


def _said(work: Callable[[], None]) -> str | None:
    try:
        work()
    except (FleetbrakeError, OSError) as error:
        return first_line(error)
    return None


def _listed(wrong: Mapping[str, str]) -> str:
    """What is wrong, each once, with the first of those of which it is true."""
    alike: dict[str, list[str]] = {}
    for name, why in wrong.items():
        alike.setdefault(why, []).append(name)
    named = [printable(f"{_names(names)} {why}") for why, names in list(alike.items())[:_MOST_NAMED]]
    more = sum(map(len, list(alike.values())[_MOST_NAMED:]))
    return "; ".join([*named, f"and {more} more"] if more else named)


def _names(names: list[str]) -> str:
    if len(names) == 1:
        return names[0]
    more = len(names) - _MOST_NAMED
    return f"{', '.join(names[:_MOST_NAMED])}{f' and {more} more' if more > 0 else ''}: each"
