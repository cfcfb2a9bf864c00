"""The engine's client: loaded only when it is needed, quiet, and never waited for without end."""

import logging
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final
from urllib.parse import urlsplit

from fleetbrake.core.bounded import within
from fleetbrake.core.errors import ClusterError

#: So long a scheduler may take to answer, and a cluster to have its first worker (s). Own choices: a scheduler that
#: runs answers at once; workers that are started with it are there within half a minute.
CONNECT_S: Final = 20.0
FIRST_WORKER_S: Final = 60.0
#: Nothing that a scheduler or worker is asked takes so long (s): one that is at work answers within a second.
ANSWER_S: Final = 60.0


@contextmanager
def connected(scheduler: str) -> Iterator[Any]:
    """A client of the scheduler. Certificates for ``tls://`` come from the engine's own configuration.

    Raises
    ------
    ClusterError
        The extra is not installed, or the scheduler does not answer.
    """
    try:
        import distributed
    except ImportError as error:
        raise ClusterError(
            "Reading on other machines needs more than is installed: install fleetbrake with its extra 'cluster', here "
            "and there: pip install 'fleetbrake[cluster]'."
        ) from error
    _reached(scheduler)
    with _quiet():
        how = {"timeout": CONNECT_S, "set_as_default": False, "name": "fleetbrake", "direct_to_workers": False}
        try:
            # the engine bounds connecting, but not the wait for the first word of whoever listens there
            client = within(CONNECT_S + 5, lambda: distributed.Client(scheduler, **how))
        except (OSError, ValueError, RuntimeError, TypeError, ImportError) as error:
            raise ClusterError(f"The scheduler {scheduler} does not answer ({first_line(error)}).") from error
        try:
            yield client
        finally:
            with suppress(Exception):  # a scheduler that is gone cannot be taken leave of
                within(10, lambda: client.close(timeout=5))


def _reached(scheduler: str) -> None:
    """ClusterError at once where nobody can listen there: the engine would go on trying."""
    parts = urlsplit(scheduler)
    try:
        socket.create_connection((parts.hostname or "", parts.port or 0), timeout=CONNECT_S).close()
    except OSError as error:
        why = error.strerror or first_line(error)
        raise ClusterError(f"The scheduler {scheduler} does not answer ({why.lower()}).") from error


def waited_for(client: Any, scheduler: str) -> None:
    """Wait for the first worker; ClusterError if none comes."""
    end = time.monotonic() + FIRST_WORKER_S
    try:
        while not threads_of(client):
            if time.monotonic() > end:
                raise ClusterError(f"The scheduler {scheduler} has no workers; none came in {FIRST_WORKER_S:g} s.")
            time.sleep(0.2)
    except OSError as error:
        raise ClusterError(f"The scheduler {scheduler} does not answer ({error}).") from error


def threads_of(client: Any) -> int:
    """Threads of all workers together; OSError (``TimeoutError``) if the scheduler does not say."""
    return sum(within(ANSWER_S, client.nthreads).values())


def first_line(error: object) -> str:
    """What went wrong, short enough for a sentence."""
    return (str(error).splitlines() or [""])[0][:300].rstrip(".") or type(error).__name__


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the engine from talking: what matters of it is told in our own sentences."""
    names = [name for name in logging.root.manager.loggerDict if name.partition(".")[0] in ("distributed", "tornado")]
    before = {name: logging.getLogger(name).level for name in names}
    for name in names:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)
