"""Who asks for a page, and what they are told where they may not have it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from fleetbrake.access.ended import Ended, can_be_ended
from fleetbrake.access.loopback import is_loopback, is_own_request
from fleetbrake.access.roles import LOCAL_USER, NOBODY, Role, Viewer
from fleetbrake.access.sign_in import SignIn

#: Longest time since the provider let somebody in (hours). Own choice: a shift with its handover; the cookie itself
#: would last 30 days.
LONGEST_HOURS: Final = 12.0
#: How far the provider's clock may be ahead (s). Own choice: clocks that nobody looks after drift by minutes.
_CLOCK_AHEAD_S: Final = 300.0
#: Longest name shown; own choice.
_LONGEST_NAME: Final = 120

NOT_HERE: Final = (
    "These pages can be opened on the machine they run on only. For anybody else a sign-in has to be set up: "
    "see `fleetbrake dashboard --help`."
)
SIGN_IN_FIRST: Final = "Sign in to see the fleet's brakes."
TOO_LONG_AGO: Final = f"Your sign-in is more than {LONGEST_HOURS:.0f} hours old. Please sign in again."
NO_TIME: Final = "The sign-in does not say when it was made, so that it cannot be taken."
NO_PERSON: Final = (
    "The sign-in does not say who you are in a text (`sub`), so that it could not be ended and cannot be taken. Ask "
    "whoever looks after the provider."
)
NO_ROLE: Final = "You are signed in, but nobody has given you a role here. Ask whoever looks after the sign-in."


@dataclass(frozen=True)
class Caller:
    """Who asks: somebody with roles, or nobody and a sentence that says why.

    ``person`` stands for the provider's person in these roles, for nothing but comparing; not shown.
    """

    viewer: Viewer
    refused: str = ""
    signed_in: bool = False
    may_sign_in: bool = False
    person: str = ""


def local_caller(
    address: str | None, headers: Mapping[str, str], remote_ip: str | None, *, speaks: bool = True
) -> Caller:
    """Where no sign-in is set up: the local user, if the server listens on loopback and the request comes from there.

    Parameters
    ----------
    address : what the server listens on; None = everything.
    headers, remote_ip : of the request, see :func:`~fleetbrake.access.loopback.is_own_request`.
    speaks : by a web socket, with which browsers say where the page comes from.
    """
    own = address is not None and is_loopback(address) and is_own_request(headers, remote_ip, with_origin=speaks)
    return Caller(LOCAL_USER, person="local") if own else Caller(NOBODY, NOT_HERE)


def signed_caller(sign_in: SignIn, claims: Mapping[str, Any], now: float, ended: Ended | None = None) -> Caller:
    """Where a sign-in is set up: whom the provider's claims name, with the roles that the file gives.

    Parameters
    ----------
    claims : the checked claims of the ID token and ``is_logged_in``.
    now : seconds since 1970 in UTC.
    ended : sign-ins that somebody ended by signing out.
    """
    if claims.get("is_logged_in") is not True:
        return Caller(NOBODY, SIGN_IN_FIRST, may_sign_in=True)
    issued = _seconds(claims.get("iat"))
    if issued is None or not issued <= now + _CLOCK_AHEAD_S:  # NaN is no time either
        return Caller(NOBODY, NO_TIME, may_sign_in=True)
    if not can_be_ended(claims):
        return Caller(NOBODY, NO_PERSON, may_sign_in=True)
    if ended is not None and claims in ended:
        return Caller(NOBODY, SIGN_IN_FIRST, may_sign_in=True)
    if now - issued > LONGEST_HOURS * 3600.0:
        return Caller(NOBODY, TOO_LONG_AGO, may_sign_in=True)
    viewer = Viewer(_name(claims), roles_of(sign_in, claims))
    person = "\n".join((str(claims.get("iss")), str(claims.get("sub")), *sorted(viewer.roles)))
    return Caller(viewer, "" if viewer.roles else NO_ROLE, signed_in=True, person=person)


def roles_of(sign_in: SignIn, claims: Mapping[str, Any]) -> frozenset[Role]:
    """All roles that the file gives for the claim's values, the checked mail address and the subject."""
    given: set[Role] = set()
    for value in _values(claims, sign_in.claim):
        given |= sign_in.by_claim.get(value, frozenset())
    given |= sign_in.by_email.get(_checked_email(claims).casefold(), frozenset())
    subject = claims.get("sub")
    if isinstance(subject, str):
        given |= sign_in.by_subject.get(subject, frozenset())
    return frozenset(given)


def _values(claims: Mapping[str, Any], claim: str | None) -> list[str]:
    """The texts of a claim; a name with points leads into a claim that is a table, where none has the whole name."""
    if claim is None:
        return []
    found: Any = claims.get(claim)
    if found is None and "." in claim:
        found = claims
        for part in claim.split("."):
            found = found.get(part) if isinstance(found, Mapping) else None
    listed = found if isinstance(found, list | tuple) else [found]
    return [value for value in listed if isinstance(value, str)]


def _checked_email(claims: Mapping[str, Any]) -> str:
    """The mail address if the provider says that it checked it, else nothing."""
    email = claims.get("email")
    return email.strip() if isinstance(email, str) and claims.get("email_verified") is True else ""


def _seconds(told: object) -> float | None:
    return float(told) if isinstance(told, int | float) and not isinstance(told, bool) else None


def _name(claims: Mapping[str, Any]) -> str:
    """By whom a decision was made: the checked mail address, else the subject, which nobody chooses; foreign text."""
    subject, name = str(claims["sub"]), claims.get("name")
    told = f"{name} ({subject})" if isinstance(name, str) and name.strip() else subject
    return (_checked_email(claims) or told)[:_LONGEST_NAME]
