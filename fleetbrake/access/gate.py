"""The gate before the pages' server: every request passes here first, and what is not granted goes no further.

An ASGI application around another one. It knows nothing of the framework behind it; what it has to be told of
(whose cookie it is, what a message asks for) comes from a :class:`Keeper`. What pages may be opened by whom is asked
again by each page: these are two doors, and neither rests on the other.
"""

import logging
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from typing import Final

from fleetbrake.access import brought_in
from fleetbrake.access.addresses import (
    LONGEST_PATH,
    LONGEST_QUERY,
    Sort,
    Way,
    download_of,
    file_of,
    session_of,
    told_at_sign_in,
    way_to,
)
from fleetbrake.access.answer_headers import dressed, safety_headers
from fleetbrake.access.asgi import App, Message, Receive, Scope, Send, headers_of, remote_of
from fleetbrake.access.brought_in import NOT_YOURS, Refusal
from fleetbrake.access.caller import LONGEST_HOURS, NOT_HERE, Caller
from fleetbrake.access.keeper import Keeper, page_name, whose
from fleetbrake.access.kept_files import KeptFiles
from fleetbrake.access.open_page import OpenPage
from fleetbrake.access.pace import Crowd, Pace, Places, Turns

#: Open pages of people who are let in, and of whoever stands before the door: a crowd before the door shuts nobody out
#: who is inside. Own choice: a page costs some megabytes and a thread while it is drawn.
MOST_INSIDE: Final = 400
MOST_OUTSIDE: Final = 60
#: Where the 60 before the door are full, one that is open for longer than this (s), and silent longest, gives way to
#: whoever comes. Own choice: signing in takes less; tabs whose sign-in ran out would else hold their places for good.
GIVES_WAY_S: Final = 60.0
#: Open pages of one person, so that nobody takes all of them; where no sign-in is set up, all people of the machine are
#: one. Own choice: more tabs than anybody keeps open.
MOST_OF_ONE: Final = 30
MOST_LOCAL: Final = 200
#: Messages a second that a page is heard with, and how many at once after a pause: inside, before the door, and all
#: before the door together. Own choice: a hand presses and types slower; a page before the door has one button, and
#: drawing it takes the server some 0.1 s.
_INSIDE: Final = (5.0, 20.0)
_OUTSIDE: Final = (1.0, 5.0)
_ALL_OUTSIDE: Final = (4.0, 20.0)
#: What one person who signed in is heard with, over all pages that are open for them, and opens pages with. Own choice:
#: a vehicle's page takes the server half a second; nobody is to have it alone.
_ONE_PERSON: Final = (3.0, 30.0)
#: So many of them are drawn at a time, each for so long (s) at most. Own choice: a second one while the first takes
#: long, and a month's report takes half a minute.
_DRAWN_AT_A_TIME: Final = (2, 30.0)
#: So many people are remembered who have no page open (their turns begin anew then). Own choice.
_MOST_REMEMBERED: Final = 1_000
#: Pages before the door that are opened in a second, and how many at once. Own choice: it costs the server some ms.
_OPENED_OUTSIDE: Final = (20.0, float(MOST_OUTSIDE))
#: The log speaks of one kind of refusal once in so many seconds: a flood must not fill the disk. Own choice.
_SAID_AGAIN_S: Final = 60.0

_NO_SUCH: Final = "There is no such address here."
_NO_SUCH_WAY: Final = "This address cannot be used that way."
_TOO_LONG: Final = "The address is too long."
_OTHER_NAME: Final = "The pages are not served under this name."


class Gate:
    """Lets through what may pass, and refuses in one sentence what may not."""

    def __init__(self, app: App, keeper: Keeper) -> None:
        self._app = app
        self._keeper = keeper
        self._files = KeptFiles()
        self._coming = brought_in.Coming()
        self._open = {True: 0, False: 0}
        self._open_of: Counter[str] = Counter()
        self._outside: list[OpenPage] = []
        self._crowd = Crowd(Pace(*_ALL_OUTSIDE), _ALL_OUTSIDE[0], self._tell_of_crowd)
        self._opened = Pace(*_OPENED_OUTSIDE)
        self._people: dict[str, tuple[Crowd, Places]] = {}
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
        if way.sort in (Sort.SIGN_IN, Sort.SIGN_OUT):
            scope = {**scope, "query_string": told_at_sign_in(scope.get("query_string", b"")) or b""}
        if way.sort is Sort.UPLOAD and scope["method"] == "PUT":
            await self._take_in(scope, headers or {}, receive, self._dressing(send, way))
        else:
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
        told = bool(caller.viewer.roles) and self._files.told(_thing(scope["path"], way), whose(caller))
        if way.sort is Sort.DOWNLOAD:
            return None if told else (403, NOT_YOURS)
        if way.sort is Sort.UPLOAD:
            refused = brought_in.announced_wrongly(caller, scope["method"], headers)
            return refused or (None if told else (403, NOT_YOURS))
        return None

    async def _take_in(self, scope: Scope, headers: Mapping[str, str], receive: Receive, send: Send) -> None:
        """A file that somebody who may act brings in for a page of his own: a sheet, and few of them."""
        person, page = whose(self._keeper.caller(headers, remote_of(scope), speaks=False)), session_of(scope["path"])
        kept = brought_in.of_person(
            self._keeper.brought(),
            # what this page was brought before makes room for what comes now
            lambda session: session != page and self._files.told(page_name(session), person),
        )
        with self._coming.one_more(person, kept) as may:
            if not may:
                await self._answer(send, 413, brought_in.TOO_MANY)
                return
            body = await brought_in.sheet_from(receive)
            if isinstance(body, bytes):
                await self._app(scope, brought_in.told_again(body, receive), send)
                self._keeper.keeps_only(page, file_of(scope["path"]))
            elif body is not None:
                await self._answer(send, *body)

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
        if self._is_full(caller, inside):
            await send({"type": "websocket.close", "code": 1013})
            return
        paces, places = self._paces(caller, inside)
        page = OpenPage(scope, caller, self._keeper, self._files, self._tell, paces, places)
        with self._counted(caller, inside, page), ExitStack() as left:
            if places is not None:
                left.callback(places.give_back_all, page)
            for opening in paces[1:] if inside else (self._opened,):
                await opening.turn()
            await self._app(page.scope(scope), page.heard(receive), page.spoken(send))

    def _paces(self, caller: Caller, inside: bool) -> tuple[Sequence[Turns], Places | None]:
        """How fast a page is heard, by itself and with the others that it shares the server with; and, of one person,
        how many are drawn at a time."""
        if not inside:
            return (Pace(*_OUTSIDE), self._crowd.share()), None
        if not caller.signed_in:  # all people of this machine are one
            return (Pace(*_INSIDE),), None
        if len(self._people) >= _MOST_REMEMBERED:
            self._people = {person: theirs for person, theirs in self._people.items() if self._open_of[person]}
        if caller.person not in self._people:
            crowd = Crowd(Pace(*_ONE_PERSON), _ONE_PERSON[0], self._tell_of_person)
            self._people[caller.person] = crowd, Places(*_DRAWN_AT_A_TIME)
        crowd, places = self._people[caller.person]
        return (Pace(*_INSIDE), crowd.share()), places

    def _is_full(self, caller: Caller, inside: bool) -> bool:
        """Whether no more pages may be opened, by all of one side or by this person."""
        if self._open[inside] >= (MOST_INSIDE if inside else MOST_OUTSIDE) and (inside or not self._one_gives_way()):
            self._tell(f"full {inside}", f"{self._open[inside]} pages are open already; one more was refused.")
            return True
        if inside and self._open_of[caller.person] >= (MOST_OF_ONE if caller.signed_in else MOST_LOCAL):
            self._tell(
                "full of one", f"One person has {self._open_of[caller.person]} pages open; one more was refused."
            )
            return True
        return False

    def _one_gives_way(self) -> bool:
        """Before the door: end the page that is silent longest, of those that are open long enough."""
        now = time.monotonic()
        old = [page for page in self._outside if now - page.opened_at > GIVES_WAY_S]
        if not old:
            return False
        longest = min(old, key=lambda page: page.heard_at)
        self._outside.remove(longest)
        longest.end()
        return True

    @contextmanager
    def _counted(self, caller: Caller, inside: bool, page: OpenPage) -> Iterator[None]:
        """A page counts as open until it is closed, by an error as well."""
        self._open[inside] += 1
        self._open_of[caller.person] += 1
        if not inside:
            self._outside.append(page)
        try:
            yield
        finally:
            self._open[inside] -= 1
            if page in self._outside:
                self._outside.remove(page)
            self._open_of[caller.person] -= 1
            if not self._open_of[caller.person]:
                del self._open_of[caller.person]

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

    def _tell_of_crowd(self, wait_s: float) -> None:
        self._tell("crowd", f"So much is asked for before the door that some wait {wait_s:.0f} s for an answer.")

    def _tell_of_person(self, wait_s: float) -> None:
        self._tell("person", f"One person asks for so much that some of their pages wait {wait_s:.0f} s for an answer.")

    def _tell(self, kind: str, sentence: str) -> None:
        now = time.monotonic()
        if now - self._said.get(kind, -_SAID_AGAIN_S) >= _SAID_AGAIN_S:
            self._said[kind] = now
            logging.getLogger("fleetbrake").warning("%s", sentence)


def _thing(path: str, way: Way) -> str:
    """What somebody has to have been told of to use this address."""
    return page_name(session_of(path)) if way.sort is Sort.UPLOAD else download_of(path) or ""


def _too_long(scope: Scope) -> bool:
    return len(scope["path"]) > LONGEST_PATH or len(scope.get("query_string", b"")) > LONGEST_QUERY


def _shape_refused(scope: Scope, way: Way | None, headers: Mapping[str, str] | None) -> Refusal | None:
    if _too_long(scope):
        return 414, _TOO_LONG
    if headers is None:
        return 400, _NO_SUCH_WAY
    if way is None:
        return 404, _NO_SUCH
    if way.sort in (Sort.SIGN_IN, Sort.SIGN_OUT) and told_at_sign_in(scope.get("query_string", b"")) is None:
        return 400, _NO_SUCH_WAY
    return None if scope["method"] in way.methods else (405, _NO_SUCH_WAY)
