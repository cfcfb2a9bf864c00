"""Object stores by their addresses (``s3://bucket/key``, ``gs://bucket/key``): file systems, retries, plain sentences.

What stands after ``://`` is bucket and key as they are, without percent-encoding: keys may hold any character.
Credentials, region and endpoint come from the ordinary environment and are never part of an address.
"""

import math
import os
import re
import time
from collections.abc import Callable
from datetime import timedelta
from functools import cache
from typing import Any, Final, TypeVar
from urllib.parse import urlsplit

import pyarrow as pa
from pyarrow import fs

from fleetbrake.core.bounded import within
from fleetbrake.core.errors import InputError
from fleetbrake.core.secret_options import has_secret
from fleetbrake.recordings.story import printable

#: Attempts at one request, and the wait before the second one (s), doubled before each further one. Own choice: a
#: network that comes back within seconds costs no file, one that does not costs each file well under a minute.
ATTEMPTS: Final = 4
FIRST_PAUSE_S: Final = 0.5
#: A request (a few MB at most) that has not ended by then counts as unanswered (s). Own choice: 8 MiB at 2 Mbit/s.
LONGEST_REQUEST_S: Final = 40.0
#: The client library gives up a silent one so much later (s): its own bound of some seconds ends too soon.
_LATER_S: Final = 5.0
#: All attempts at one request end by then (s). Own choice.
LONGEST_S: Final = 120.0

_ADDRESS: Final = re.compile(r"([a-z][a-z0-9+.-]*)://(.*)", re.IGNORECASE | re.DOTALL)
SCHEMES: Final = ("s3", "gs")

T = TypeVar("T")


class Unanswered(OSError):
    """A request that took too long."""


def scheme_of(text: str) -> str | None:
    """The scheme of an address (``s3``), None for a path."""
    found = _ADDRESS.fullmatch(text)
    return found[1].lower() if found else None


def checked_address(text: str) -> str:
    """An object's or a prefix's address in its one spelling.

    Raises
    ------
    InputError
        The store is none that can be read, no bucket is named, or a name or password stands in the address.
    """
    scheme, rest = scheme_of(text), text.partition("://")[2]
    if scheme not in SCHEMES:
        raise InputError(f"{printable(str(scheme))}://...: only file://, s3:// and gs:// addresses can be read.")
    bucket, _, key = rest.partition("/")
    if "@" in bucket or ":" in bucket:
        raise InputError(
            f"{scheme}://{printable(bucket.rpartition('@')[2])}: name, password and port do not belong into an "
            "address: give them by the environment."
        )
    if has_secret(key.partition("?")[2]):
        raise InputError(
            f"{scheme}://{printable(bucket)}: keys and passwords do not belong into an address: give them by the "
            "environment."
        )
    if not bucket or "?" in bucket:
        raise InputError(f"{scheme}://{printable(bucket)}: the address names no bucket.")
    return f"{scheme}://{bucket}/{key}"


def file_system(address: str) -> tuple[fs.FileSystem, str]:
    """The file system of a checked address, made once a process and bucket, and the path within it."""
    scheme, _, path = address.partition("://")
    return _system(scheme, path.partition("/")[0], os.getpid()), path


@cache
def _system(scheme: str, bucket: str, _process: int) -> fs.FileSystem:
    try:
        return _s3(bucket) if scheme == "s3" else _gs()
    except (OSError, ValueError, pa.ArrowException) as error:
        raise InputError(f"{scheme}://{printable(bucket)}: {cause(error)}.") from error


def _s3(bucket: str) -> fs.FileSystem:
    endpoint = os.environ.get("AWS_ENDPOINT_URL_S3") or os.environ.get("AWS_ENDPOINT_URL")
    region = os.environ.get("AWS_REGION") or os.environ.get("AWS_DEFAULT_REGION")
    if endpoint is None and region is None:
        region = fs.resolve_s3_region(bucket)
    scheme = "http" if endpoint is not None and urlsplit(endpoint).scheme == "http" else "https"
    # a single attempt each: retries and their waits are ours, and are told
    return fs.S3FileSystem(
        region=region,
        endpoint_override=endpoint,
        scheme=scheme,
        connect_timeout=10.0,
        request_timeout=LONGEST_REQUEST_S + _LATER_S,
        retry_strategy=fs.AwsStandardS3RetryStrategy(max_attempts=1),
    )


def _gs() -> fs.FileSystem:
    if not hasattr(fs, "GcsFileSystem"):
        raise OSError("this build of pyarrow cannot read gs:// addresses")
    how: dict[str, Any] = {}
    if stand_in := os.environ.get("STORAGE_EMULATOR_HOST"):  # as other clients of such stores read it
        parts = urlsplit(stand_in if "://" in stand_in else f"http://{stand_in}")
        how = {"anonymous": True, "scheme": parts.scheme, "endpoint_override": parts.netloc}
    return fs.GcsFileSystem(retry_time_limit=timedelta(seconds=10), **how)


def tried(shown: str, what: str, work: Callable[[], T]) -> T:
    """What ``work`` returns, tried again with growing waits as long as the trouble may pass.

    ``shown`` and ``what`` begin the sentence: "s3://bucket/key: cannot be read (...)".

    Raises
    ------
    InputError
        It is denied or not there, or the store gave no whole answer in any of the attempts.
    """
    try:
        return again(lambda: answered(work), ATTEMPTS, FIRST_PAUSE_S, may_pass, LONGEST_S)
    except GaveUp as end:
        raise InputError(printable(f"{shown}: {what}{end.tries} ({cause(end.error)})")) from end.error


class GaveUp(Exception):
    """No attempt succeeded: the last one's error, and how many there were."""

    def __init__(self, error: Exception, attempts: int) -> None:
        super().__init__(str(error))
        self.error, self.attempts = error, attempts

    @property
    def tries(self) -> str:
        """How often it was tried, for a sentence; nothing for once."""
        return f" after {self.attempts} attempts" if self.attempts > 1 else ""


def again(
    work: Callable[[], T],
    attempts: int,
    pause_s: float,
    worth: Callable[[Exception], bool] = lambda _: True,
    longest_s: float = math.inf,
) -> T:
    """What ``work`` returns in one of ``attempts``; the wait doubles, from ``pause_s`` on. Raises :class:`GaveUp`.

    ``worth``: whether another attempt could end otherwise. None begins ``longest_s`` after the first one.
    """
    begun = time.monotonic()
    for attempt in range(1, attempts + 1):
        try:
            return work()
        except (OSError, pa.ArrowException) as error:
            late = time.monotonic() - begun + pause_s > longest_s
            if attempt == attempts or late or not worth(error):
                raise GaveUp(error, attempt) from error
        time.sleep(pause_s)
        pause_s *= 2.0
    raise ValueError("at least one attempt is needed")


def answered(work: Callable[[], T]) -> T:
    """What ``work`` returns within :data:`LONGEST_REQUEST_S`; :class:`Unanswered` where it does not end by then.

    The client library bounds connecting and silence, but not a store that trickles.
    """
    try:
        return within(LONGEST_REQUEST_S, work)
    except TimeoutError as error:
        raise Unanswered(str(error)) from error


def may_pass(error: Exception) -> bool:
    """Whether another attempt could end otherwise."""
    return _kind(error) not in ("denied", "missing")


def is_missing(error: BaseException) -> bool:
    """Whether the store said that no such object, prefix or bucket is there."""
    return _kind(error) == "missing"


def cause(error: BaseException) -> str:
    """What went wrong with an object store, as a clause for a person; nothing of what the store said verbatim."""
    if isinstance(error, Unanswered):
        return str(error)
    kind = _kind(error)
    return _CAUSES.get(kind) or (str(error).splitlines() or [""])[0][:200] or type(error).__name__


_CAUSES: Final = {
    "denied": "the object store denies it",
    "missing": "no such object or folder",
    "silent": "the object store does not answer",
    "broken": "the connection was broken or could not be made",
    "ill": "the object store failed or is overloaded",
}

#: Words in the client libraries' messages. S3: names of the error codes of its interface and of the transport (curl).
_MARKS: Final = (
    ("denied", ("ACCESS_DENIED", "HTTP status 403", "HTTP status 401", "INVALID_ACCESS_KEY", "SIGNATURE_DOES_NOT",
                "PERMISSION_DENIED", "UNAUTHENTICATED", "Permission denied")),
    ("missing", ("NO_SUCH_BUCKET", "NO_SUCH_KEY", "RESOURCE_NOT_FOUND", "HTTP status 404", "NOT_FOUND",
                 "Not a regular file")),
    ("silent", ("curlCode: 28", "REQUEST_TIMEOUT", "DEADLINE_EXCEEDED", "Timeout was reached")),
    ("broken", ("NETWORK_CONNECTION", "curlCode", "UNAVAILABLE", "bytes arrived")),
    ("ill", ("INTERNAL_FAILURE", "SLOW_DOWN", "SERVICE_UNAVAILABLE", "THROTTLING", "HTTP status 5")),
)  # fmt: skip


def _kind(error: BaseException) -> str:
    if isinstance(error, FileNotFoundError):
        return "missing"
    if isinstance(error, PermissionError):
        return "denied"
    said = str(error)
    return next((kind for kind, marks in _MARKS if any(mark in said for mark in marks)), "other")
