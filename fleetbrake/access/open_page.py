"""One open page: a web socket of one person in the roles they had when it was opened, ended once they have others.

Whoever has other roles now opens it anew and has it drawn for them. What was asked for before, and is made only then,
reaches nobody: it was made for the roles of before.
"""

import time
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from fleetbrake.access.asgi import Message, Receive, Scope, Send, headers_of, remote_of, with_header
from fleetbrake.access.caller import Caller
from fleetbrake.access.keeper import Keeper, page_name, whose
from fleetbrake.access.kept_files import KeptFiles
from fleetbrake.access.pace import Pace

#: Longest message of a browser (bytes): a filled form, or what stands in an address. Own choice.
LONGEST_MESSAGE: Final = 1_000_000
#: While a page is drawn it is asked so often (s) for whom. Own choice: a page is hundreds of messages a second.
_ASKED_AGAIN_S: Final = 0.5
_PROTOCOLS: Final = "sec-websocket-protocol"

Tell = Callable[[str, str], None]


class OpenPage:
    """Lets through what this person may ask, and remembers what this person was told of.

    Parameters
    ----------
    scope : of the web socket, as it was asked for.
    caller : who opened it.
    tell : writes a sentence of a kind into the log, now and then.
    paces : how fast its browser is heard; each of them holds.
    """

    def __init__(
        self,
        scope: Scope,
        caller: Caller,
        keeper: Keeper,
        files: KeptFiles,
        tell: Tell,
        paces: Sequence[Pace] = (),
    ) -> None:
        self._headers: Mapping[str, str] = headers_of(scope) or {}
        self._remote = remote_of(scope)
        self._whose = whose(caller)
        self._keeper = keeper
        self._files = files
        self._tell = tell
        self._paces = paces
        self._asked_at = time.monotonic()
        self._ended = False

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
        """

        async def _receive() -> Message:
            while not self._ended:
                message = await receive()
                if message["type"] != "websocket.receive":
                    return message
                for pace in self._paces:
                    await pace.turn()
                caller = None if self._ended else self._now()
                if caller is None:
                    break
                asked = message.get("bytes")
                if asked is None or len(asked) > LONGEST_MESSAGE:
                    self._tell("message", "A message that no page of ours sends closed its connection.")
                    return {"type": "websocket.disconnect", "code": 1009}
                if self._keeper.passes(asked, caller) and self._is_theirs(asked):
                    return message
            return {"type": "websocket.disconnect", "code": 1008}

        return _receive

    def spoken(self, send: Send) -> Send:
        """``send`` that remembers what it told of, and says nothing more once this person has other roles."""

        async def _send(message: Message) -> None:
            if message["type"] == "websocket.send":
                if self._ended:
                    raise _left()
                told = self._keeper.told(bytes(message.get("bytes") or b""))
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

        return _send

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


def _left() -> ConnectionError:
    """What a server says of a connection that is gone."""
    return ConnectionError("whoever this page was opened for has left, or has other roles")
