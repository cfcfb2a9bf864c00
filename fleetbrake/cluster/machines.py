"""Which machines read, and over which place their rows come: as it is named by a person, and checked."""

import re
from dataclasses import dataclass
from typing import Final

from fleetbrake.core.errors import InputError
from fleetbrake.recordings import remote
from fleetbrake.recordings.story import printable

_SCHEDULER: Final = re.compile(
    r"(?P<kind>tcp|tls)://(?P<host>\[[0-9A-Fa-f:.%]+\]|[A-Za-z0-9._-]+):(?P<port>[0-9]{1,5})"
)


@dataclass(frozen=True)
class Machines:
    """Other machines that read recordings.

    Attributes
    ----------
    scheduler : address of the cluster's scheduler, ``tcp://host:port`` or ``tls://host:port``.
    handover : address over which rows come where workers do not see the store's folder: ``s3://bucket/path``,
        ``gs://bucket/path`` or ``file:///folder``; None where they see it under the same path.
    """

    scheduler: str
    handover: str | None = None

    def __post_init__(self) -> None:
        """InputError if an address is none."""
        found = _SCHEDULER.fullmatch(self.scheduler)
        if found is None or not 0 < int(found["port"]) < 65536:
            raise InputError(
                f"{printable(self.scheduler)}: no address of a scheduler; it is written like tcp://host:8786."
            )
        if self.handover is not None:
            object.__setattr__(self, "handover", checked_handover(self.handover))


def machines_named(scheduler: str | None, handover: str | None) -> Machines | None:
    """The machines that a person named; None where this one is to read.

    Raises
    ------
    InputError
        An address is none, or there is a handover for nobody.
    """
    if scheduler is not None:
        return Machines(scheduler, handover)
    if handover is not None:
        raise InputError("A handover is for workers of a cluster: name its scheduler too, or leave it out.")
    return None


def checked_handover(address: str) -> str:
    """The address of a place for rows on their way, without a slash at its end.

    Raises
    ------
    InputError
        It is no address of an object store or folder, or has a password in it.
    """
    scheme = remote.scheme_of(address)
    if scheme == "file":
        if not address.startswith("file:///") or not address[8:].strip("/"):
            raise InputError(f"{printable(address)}: a folder is written like file:///folder/of/all.")
        return address.rstrip("/")
    if scheme is None:
        raise InputError(f"{printable(address)}: an address is expected: s3://bucket/path, gs://... or file:///folder.")
    return remote.checked_address(address).rstrip("/")
