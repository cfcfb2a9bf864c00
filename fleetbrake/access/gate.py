"""The gate before the pages' server: every request passes here first, and what is not granted goes no further.

An ASGI application around another one. It knows nothing of the framework behind it; what it has to be told of
(whose cookie it is, what a message asks for) comes from a :class:`Keeper`. What pages may be opened by whom is asked
again by each page: these are two doors, and neither rests on the other.
"""

import logging
import time
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from typing import Any, Final, Protocol

from fleetbrake.access.addresses import (
    LARGEST_UPLOAD,
    LONGEST_PATH,
    LONGEST_QUERY,
    Sort,
    Way,
    download_of,
    fit_for_a_log,
    way_to,
)
from fleetbrake.access.answer_headers import dressed, safety_headers
from fleetbrake.access.caller import LONGEST_HOURS, NOT_HERE, Caller
from fleetbrake.access.kept_files import KeptFiles

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

#: Open pages of people who are let in, and of whoever stands before the door: a crowd before the door shuts nobody out
#: who is inside. Own choice: a page costs some megabytes and a thread while it is drawn.
MOST_INSIDE: Final = 400
MOST_OUTSIDE: Final = 60
#: Longest message of a browser (bytes): a filled form, or what stands in an address. Own choice.
LONGEST_MESSAGE: Final = 1_000_000
#: The log speaks of one kind of refusal once in so many seconds: a flood must not fill the disk. Own choice.
_SAID_AGAIN_S: Final = 60.0

_NO_SUCH: Final = "There is no such address here."
_NO_SUCH_WAY: Final = "This address cannot be used that way."
_TOO_LONG: Final = "The address is too long."
_OTHER_NAME: Final = "The pages are not served under this name."
_NOT_YOURS: Final = "This file is not for you, or your sign-in has ended. Open its page again."
_TOO_LARGE: Final = "The file is too large."
_NO_LENGTH: Final = "The size of the file has to be told first."

Refusal = tuple[int, str]


class Keeper(Protocol):
    """What the gate has to be told from outside."""

    def caller(self, headers: Mapping[str, str], remote_ip: str | None, *, speaks: bool) -> Caller:
        """Who asks; ``speaks``: by a web socket, with which browsers say where the page comes from."""

    def names_us(self, host: str) -> bool:
        """Whether the pages are served under this host name, a port behind it left aside."""

    def our_page(self, origin: str, host: str) -> bool:
        """Whether a page of this origin is one of ours, on a request to ``host``."""

    def passes(self, message: bytes, caller: Caller) -> bool:
        """Whether what a browser asks for may reach the framework."""

    def told(self, message: bytes) -> frozenset[str]:
        """Names of the files, and of things still to be made, that the framework's own parts tell a browser of."""

    def asked_for(self, message: bytes) -> str | None:
        """Name of the thing that a browser asks to be made; None if it asks for something else."""

    def sign_out(self, headers: Mapping[str, str]) -> None:
        """End the sign-in whose cookie this is."""

    @property
    def origin(self) -> str:
        """Scheme, host and port under which people reach the pages."""


class Gate:
    """Lets through what may pass, and refuses in one sentence what may not."""

    def __init__(self, app: App, keeper: Keeper) -> None:
        self._app = app
        self._keeper = keeper
        self._files = KeptFiles()
        self._open = {True: 0, False: 0}
        self._said: dict[str, float] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            await self._request(scope, receive, send)
        elif scope["type"] == "websocket":
            await self._stream(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    # --- requests ----------------------------------------------------------------------------------------------------

    async def _request(self, scope: Scope, receive: Receive, send: Send) -> None:
        way = way_to(scope["path"])
        headers = headers_of(scope)
        refused = _shape_refused(scope, way, headers)
        if refused is None and way is not None:
            refused = self._refused(scope, way, headers or {})
        if refused is not None or way is None:
            await self._answer(send, *(refused or (404, _NO_SUCH)))
            return
        if way.sort is Sort.SIGN_OUT:
            self._keeper.sign_out(headers or {})
        await self._app(scope, receive, self._dressing(send, way))

    def _refused(self, scope: Scope, way: Way, headers: Mapping[str, str]) -> Refusal | None:
        """Why a request of the right shape is not let through; None lets it pass."""
        if way.sort is Sort.LIFE and scope["path"].endswith("/health"):
            return None  # whoever watches the server may ask under any name
        if way.sort is Sort.STREAM:
            return 404, _NO_SUCH  # by a web socket only
        if not self._keeper.names_us(headers.get("host", "")):
            self._tell("host", "A request under a name that is not ours was refused.")
            return 421, _OTHER_NAME
        # what a browser says of who is behind a request: W3C Fetch Metadata (from memory); other programs do not say it
        elsewhere = headers.get("sec-fetch-site", "none") not in ("none", "same-origin")
        if elsewhere and way.sort in (Sort.SIGN_OUT, Sort.DOWNLOAD, Sort.UPLOAD):
            return 403, _NO_SUCH_WAY  # another site's link signs nobody out and fetches nothing
        return self._person_refused(scope, way, headers)

    def _person_refused(self, scope: Scope, way: Way, headers: Mapping[str, str]) -> Refusal | None:
        """Why whoever asks is not let through."""
        caller = self._keeper.caller(headers, remote_of(scope), speaks=False)
        if caller.refused == NOT_HERE:
            return 403, NOT_HERE
        if way.sort is Sort.DOWNLOAD:
            mine = bool(caller.viewer.roles) and self._files.told(download_of(scope["path"]) or "", _whose(caller))
            return None if mine else (403, _NOT_YOURS)
        return _upload_refused(caller, scope["method"], headers) if way.sort is Sort.UPLOAD else None

    def _dressing(self, send: Send, way: Way) -> Send:
        """``send`` with our headers on the answer."""
        keep_nothing = way.sort in (Sort.DOWNLOAD, Sort.UPLOAD, Sort.SIGN_IN, Sort.SIGN_OUT)

        async def _send(message: Message) -> None:
            if message["type"] == "http.response.start":
                told = [(bytes(name), bytes(value)) for name, value in message.get("headers", [])]
                longest = int(LONGEST_HOURS * 3600)
                told = dressed(told, self._keeper.origin, longest_s=longest, keep_nothing=keep_nothing)
                message = {**message, "headers": told}
            await send(message)

        return _send

    async def _answer(self, send: Send, status: int, sentence: str) -> None:
        body = sentence.encode("utf-8")
        told = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
        told += safety_headers(self._keeper.origin, keep_nothing=True)
        await send({"type": "http.response.start", "status": status, "headers": told})
        await send({"type": "http.response.body", "body": body})

    # --- web sockets -------------------------------------------------------------------------------------------------

    async def _stream(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = headers_of(scope)
        caller = self._speaker(scope, headers)
        if headers is None or caller is None:
            await send({"type": "websocket.close", "code": 1008})
            return
        inside = bool(caller.viewer.roles)
        if self._open[inside] >= (MOST_INSIDE if inside else MOST_OUTSIDE):
            self._tell(f"full {inside}", f"{self._open[inside]} pages are open already; one more was refused.")
            await send({"type": "websocket.close", "code": 1013})
            return
        self._open[inside] += 1
        try:
            await self._app(scope, self._heard(scope, headers, receive), self._spoken(scope, headers, send))
        finally:
            self._open[inside] -= 1

    def _speaker(self, scope: Scope, headers: Mapping[str, str] | None) -> Caller | None:
        """Who opens a web socket; None where it is not to be opened at all."""
        way = way_to(scope["path"])
        if headers is None or way is None or way.sort is not Sort.STREAM or _too_long(scope):
            return None
        host, origin = headers.get("host", ""), headers.get("origin", "")
        if not self._keeper.names_us(host) or not self._keeper.our_page(origin, host):
            self._tell("origin", "A web socket from a page, or under a name, that is not ours was refused.")
            return None
        caller = self._keeper.caller(headers, remote_of(scope), speaks=True)
        return None if caller.refused == NOT_HERE else caller

    def _heard(self, scope: Scope, headers: Mapping[str, str], receive: Receive) -> Receive:
        """``receive`` without what may not reach the framework; who asks is looked up anew for each message."""

        async def _receive() -> Message:
            while True:
                message = await receive()
                if message["type"] != "websocket.receive":
                    return message
                asked = message.get("bytes")
                caller = self._keeper.caller(headers, remote_of(scope), speaks=True)
                if asked is None or len(asked) > LONGEST_MESSAGE:
                    self._tell("message", "A message that no page of ours sends closed its connection.")
                    return {"type": "websocket.disconnect", "code": 1009}
                if self._keeper.passes(asked, caller) and self._is_theirs(asked, caller):
                    return message

        return _receive

    def _is_theirs(self, asked: bytes, caller: Caller) -> bool:
        """Whether what is to be made was told to this person, in the roles that he has now."""
        wanted = self._keeper.asked_for(asked)
        return wanted is None or self._files.told(wanted, _whose(caller))

    def _spoken(self, scope: Scope, headers: Mapping[str, str], send: Send) -> Send:
        """``send`` that remembers whom it told of files to download."""

        async def _send(message: Message) -> None:
            said = message.get("bytes")
            names = self._keeper.told(bytes(said)) if message["type"] == "websocket.send" and said else frozenset()
            if names:
                caller = self._keeper.caller(headers, remote_of(scope), speaks=True)
                if caller.viewer.roles:
                    self._files.note(names, _whose(caller))
            await send(message)

        return _send

    def _tell(self, kind: str, sentence: str) -> None:
        now = time.monotonic()
        if now - self._said.get(kind, -_SAID_AGAIN_S) >= _SAID_AGAIN_S:
            self._said[kind] = now
            logging.getLogger("fleetbrake").warning("%s", sentence)


def _whose(caller: Caller) -> str:
    """The person in the roles of now: whoever gets other ones has to have the page drawn for them first."""
    return "\n".join([caller.person, *sorted(caller.viewer.roles)])


def headers_of(scope: Scope) -> dict[str, str] | None:
    """The headers by name in small letters; None where one that decides stands there twice."""
    told: dict[str, str] = {}
    for name, value in scope.get("headers", []):
        key = name.decode("latin-1").lower()
        if key in told and key in ("host", "origin", "content-length"):
            return None
        # HTTP/2 and some servers in front send cookies in parts: RFC 9113 section 8.2.3 (from memory)
        joined = "; " if key == "cookie" else ", "
        told[key] = f"{told[key]}{joined}{value.decode('latin-1')}" if key in told else value.decode("latin-1")
    return told


def remote_of(scope: Scope) -> str | None:
    """The other end of the connection."""
    client = scope.get("client")
    return str(client[0]) if client else None


def _too_long(scope: Scope) -> bool:
    return len(scope["path"]) > LONGEST_PATH or len(scope.get("query_string", b"")) > LONGEST_QUERY


def _shape_refused(scope: Scope, way: Way | None, headers: Mapping[str, str] | None) -> Refusal | None:
    if _too_long(scope):
        return 414, _TOO_LONG
    if headers is None:
        return 400, _NO_SUCH_WAY
    if way is None:
        return 404, _NO_SUCH
    if way.sort in (Sort.SIGN_IN, Sort.SIGN_OUT) and not fit_for_a_log(scope.get("query_string", b"")):
        return 400, _NO_SUCH_WAY
    return None if scope["method"] in way.methods else (405, _NO_SUCH_WAY)


def _upload_refused(caller: Caller, method: str, headers: Mapping[str, str]) -> Refusal | None:
    """Files are brought in by those who may act, one of a told and small size at a time."""
    if not caller.viewer.may_act:
        return 403, _NOT_YOURS
    if method != "PUT":
        return None
    told = headers.get("content-length", "")
    if not told.isascii() or not told.isdigit() or "transfer-encoding" in headers:
        return 411, _NO_LENGTH
    return (413, _TOO_LARGE) if len(told) > 12 or int(told) > LARGEST_UPLOAD else None
