"""What the gate has to be told from outside: of the framework behind it, and of who asks."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from fleetbrake.access.caller import Caller


@dataclass(frozen=True)
class Brought:
    """What was brought in for one open page and is kept: files, and their bytes together."""

    files: int = 0
    size: int = 0


class Keeper(Protocol):
    """Answers of the framework behind the gate."""

    def caller(self, headers: Mapping[str, str], remote_ip: str | None, *, speaks: bool) -> Caller:
        """Who asks; ``speaks``: by a web socket, with which browsers say where the page comes from."""

    def names_us(self, host: str) -> bool:
        """Whether the pages are served under this host name, a port behind it left aside."""

    def our_page(self, origin: str, host: str) -> bool:
        """Whether a page of this origin is one of ours, on a request to ``host``."""

    def passes(self, message: bytes, caller: Caller) -> bool:
        """Whether what a browser asks for may reach the framework."""

    def told(self, message: bytes) -> frozenset[str]:
        """Names of the open page itself, of files, and of things still to be made, that the framework's own parts tell
        a browser of; an open page's as :func:`page_name` has it, a file's as it stands in its address."""

    def asked_for(self, message: bytes) -> str | None:
        """Name of the thing that a browser asks to be made; None if it asks for something else."""

    def look(self, message: bytes) -> str | None:
        """The part of a page that asks for itself again and again; None for whatever else comes, be it what it may."""

    def is_work(self, message: bytes) -> bool:
        """Whether what a browser asks for, and passed, has the framework draw or make something."""

    def answered_as(self, message: bytes) -> str:
        """What a browser calls its question, which passed, and the answer to it; empty for a whole page, and for what
        has no answer."""

    def done(self, message: bytes) -> str | None:
        """What is done once a browser is told this: a page drawn (empty), or something made, as :meth:`answered_as`
        has it; None for anything else."""

    def takes_up(self, protocols: str) -> tuple[str, str]:
        """The open page that a new web socket goes on with (empty for none), and what it says without that."""

    def brought(self) -> Mapping[str, Brought]:
        """What was brought in, by open page."""

    def keeps_only(self, session: str, file: str) -> None:
        """Of what was brought in for an open page, keep this file alone; all of it where this one is not kept."""

    def sign_out(self, headers: Mapping[str, str]) -> None:
        """End the sign-in whose cookie this is."""

    @property
    def origin(self) -> str:
        """Scheme, host and port under which people reach the pages."""


def page_name(session: str) -> str:
    """What an open page is called among the things that somebody was told of."""
    return f"page {session}"


def whose(caller: Caller) -> str:
    """The person in the roles of now: whoever gets other ones has to have the page drawn for them first."""
    return "\n".join([caller.person, *sorted(caller.viewer.roles)])
