"""Whether machines can read for this one: the same versions, and the place of the rows in sight."""

from collections.abc import Callable, Mapping
from typing import Any

from fleetbrake.cluster import told as told_module
from fleetbrake.cluster.engine import ANSWER_S, first_line, within
from fleetbrake.cluster.told import told
from fleetbrake.core.errors import ClusterError, FleetbrakeError
from fleetbrake.recordings.story import printable
from fleetbrake.store.arriving import Drop

#: At most so many machines are named in a sentence.
_MOST_NAMED = 5


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
    named = [printable(f"{name} {why}") for name, why in list(wrong.items())[:_MOST_NAMED]]
    more = len(wrong) - len(named)
    return "; ".join([*named, f"and {more} more"] if more else named)
