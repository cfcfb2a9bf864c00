"""One open page: a web socket of one person in the roles they had when it was opened, ended once they have others.

Whoever has other roles now opens it anew and has it drawn for them. What was asked for before, and is made only then,
reaches nobody: it was made for the roles of before.
"""

import asyncio
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from fleetbrake.access.ahead import GIVEN_UP, RECEIVED, UNHEARD_OF, Ahead
from fleetbrake.access.asgi import Message, Receive, Scope, Send, headers_of, remote_of, with_header
from fleetbrake.access.caller import Caller
from fleetbrake.access.keeper import Keeper, page_name, whose
from fleetbrake.access.kept_files import KeptFiles
from fleetbrake.access.pace import Places, Turns

#: Longest message of a browser (bytes): a filled form, or what stands in an address. Own choice.
LONGEST_MESSAGE: Final = 1_000_000
#: The same before the door (bytes), where there is no form: what stands in an address. Own choice.
LONGEST_OUTSIDE: Final = 64_000
#: Messages of a page before the door that may not pass, until it is closed. Own choice: pages of ours send none there.
MOST_IN_VAIN: Final = 10
#: While a page is drawn it is asked so often (s) for whom. Own choice: a page is hundreds of messages a second.
_ASKED_AGAIN_S: Final = 0.5
_PROTOCOLS: Final = "sec-websocket-protocol"

_CLOSED: Final[Message] = {"type": "websocket.disconnect", "code": 1008}

Tell = Callable[[str, str], None]


class OpenPage:
    """Lets through what this person may ask, and remembers what this person was told of.

    Parameters
    ----------
    scope : of the web socket, as it was asked for.
    caller : who opened it.
    tell : writes a sentence of a kind into the log, now and then.
    paces : how fast its browser is heard; each of them holds. The first is for all that it says, the others, which it
        may share with other pages, for what passes.
    places : so much is drawn at a time for all pages that share them.
    """

    def __init__(
        self,
        scope: Scope,
        caller: Caller,
        keeper: Keeper,
        files: KeptFiles,
        tell: Tell,
        paces: Sequence[Turns] = (),
        places: Places | None = None,
    ) -> None:
        self._headers: Mapping[str, str] = headers_of(scope) or {}
        self._remote = remote_of(scope)
        self._whose = whose(caller)
        self._keeper = keeper
        self._files = files
        self._tell = tell
        self._paces = paces
        self._places = places
        self._outside = not caller.viewer.roles
        self._longest = LONGEST_OUTSIDE if self._outside else LONGEST_MESSAGE
        self._in_vain = 0
        self._asked_at = self.opened_at = self.heard_at = time.monotonic()
        self._ended = False
        self._over: asyncio.Future[None] | None = None

    def end(self) -> None:
        """Close it, from the loop that hears it: its browser may open it anew."""
        self._ended = True
        if self._over is not None and not self._over.done():
            self._over.set_result(None)

    def scope(self, scope: Scope) -> Scope:
        """The scope without an older page to go on with, unless that one was drawn for this person in these roles."""
        session, without = self._keeper.takes_up(self._headers.get(_PROTOCOLS, ""))
        if not session or self._files.told(page_name(session), self._whose):
            return scope
        anew = with_header(scope, _PROTOCOLS, without)
        return {**anew, "subprotocols": [one.strip() for one in without.split(",")]}

    def heard(self, receive: Receive) -> Receive:
        """``receive`` without what may not reach the framework; who asks is looked up anew for each message.

        A message waits for its turn first: having a page drawn costs the sender a few bytes and all others the server.
        What a page that is let in asks by itself waits behind what its person asks for.
        Once the browser is gone, or has too much waiting, what still waits is not heard.
        """
        ahead = Ahead(receive, self._longest) if self._outside else Ahead(receive, self._longest, self._keeper.look)

        async def _receive() -> Message:
            self._over = asyncio.get_running_loop().create_future()
            while not self._ended:
                message = await ahead.next(self._over)
                if message is None or message["type"] != RECEIVED:
                    return self._last(message)
                asked = message["bytes"]
                last = await ahead.until(self._turns(self._paces[:1]), self._over)
                if last is None and self._passes(asked):
                    last = await ahead.until(self._may_begin(asked, ahead.at_a_look), self._over)
                    if last is None and not self._ended and self._now() is not None:
                        self.heard_at = time.monotonic()
                        return message
                if last is not None and last is not GIVEN_UP:
                    self._ended = True
                    return self._last(last)
            return _CLOSED

        return _receive

    def _last(self, message: Message | None) -> Message:
        """What is heard last."""
        if message is UNHEARD_OF:
            self._tell("message", "A message that no page of ours sends closed its connection.")
        return message or _CLOSED

    async def _may_begin(self, asked: bytes, look: bool) -> None:
        """Wait for the turns that are shared, and for a place where something is to be drawn."""
        await self._turns(self._paces[1:], look)
        if self._places is not None and self._keeper.is_work(asked):
            await self._places.take(self, self._keeper.answered_as(asked))

    @staticmethod
    async def _turns(paces: Sequence[Turns], look: bool = False) -> None:
        for pace in paces:
            await pace.turn(look)

    def _passes(self, asked: bytes) -> bool:
        """Whether whoever is there now may ask for this; who is not the same, or asks in vain too often, is ended."""
        caller = None if self._ended else self._now()
        if caller is None:
            return False
        if self._keeper.passes(asked, caller) and self._is_theirs(asked) and not self._is_mistakable(asked):
            return True
        self._in_vain += self._outside
        self._ended = self._in_vain > MOST_IN_VAIN
        return False

    def spoken(self, send: Send) -> Send:
        """``send`` that remembers what it told of, and says nothing more once this person has other roles."""

        async def _send(message: Message) -> None:
            if message["type"] == "websocket.send":
                if self._ended:
                    raise _left()
                said = bytes(message.get("bytes") or b"")
                self._give_back(self._keeper.done(said))
                told = self._keeper.told(said)
                if told or time.monotonic() - self._asked_at > _ASKED_AGAIN_S:
                    caller = self._now()
                    if caller is None:
                        await send({"type": "websocket.close", "code": 1008})
                        raise _left()
                    if caller.viewer.roles:
                        self._files.note(told, self._whose)
            try:
                await send(message)
            except OSError:  # the browser is gone: what it still asked for is asked for by nobody
                self._ended = True
                raise
            except RuntimeError as error:  # the server closed it, by itself or as told, and takes no more
                self._ended = True
                raise _left() from error

        return _send

    def _give_back(self, done: str | None) -> None:
        """Let the next one have the place of what is done."""
        if self._places is not None and done is not None:
            self._places.give_back(self, done)

    def _now(self) -> Caller | None:
        """Who is there now; None once it is not the person, or not the roles, that the page was opened for."""
        caller = self._keeper.caller(self._headers, self._remote, speaks=True)
        self._asked_at = time.monotonic()
        if whose(caller) == self._whose:
            return caller
        self._ended = True
        return None

    def _is_theirs(self, asked: bytes) -> bool:
        """Whether what is to be made was told to this person, in these roles."""
        wanted = self._keeper.asked_for(asked)
        return wanted is None or self._files.told(wanted, self._whose)

    def _is_mistakable(self, asked: bytes) -> bool:
        """Whether its answer could be taken for that to something that is still being made here: the place of that
        would be free too early."""
        name = self._keeper.answered_as(asked)
        return bool(name) and self._places is not None and self._places.holds(self, name)


def _left() -> ConnectionError:
    """What a server says of a connection that is gone."""
    return ConnectionError("whoever this page was opened for has left, or has other roles")
