"""What a browser sends, read on while an earlier message of it waits for its turn: its end is seen at once.

Else the end of a connection stands behind all that was sent before it, and each message waits for its turn: the place
of whoever has left is not free for hours, and a server that is to end does not.

Parts of a page that look by themselves whether something has changed do so by a clock of the browser, which does not
wait for answers. So that such looks never pile up before what a hand asks for, no two of one part wait, and none waits
once a hand has asked for something: what stands on the page is in both, and the hand's is newer.
"""

import asyncio
from collections import deque
from collections.abc import Callable, Coroutine
from typing import Any, Final

from fleetbrake.access.asgi import Message, Receive

#: Messages of one browser that wait for their turn at most. Own choice: nobody presses so often in half a minute.
MOST_WAITING: Final = 100

RECEIVED: Final = "websocket.receive"
#: What stands for a message that no page sends, a text or a long one: it ends the page as soon as it is read.
UNHEARD_OF: Final[Message] = {"type": "websocket.disconnect", "code": 1009}
#: What stands for a hand's message that came while a look awaited its turn: the look is to be heard no more.
GIVEN_UP: Final[Message] = {"type": "look given up"}


class Ahead:
    """The messages of one web socket, in the order in which they came.

    Parameters
    ----------
    receive : where they come from.
    most_bytes : bytes of one message, and of all that wait together, at most.
    look : the part of a page that looks by itself with this message; None for whatever a hand asks for.
    """

    def __init__(
        self, receive: Receive, most_bytes: int, look: Callable[[bytes], str | None] = lambda _said: None
    ) -> None:
        self._receive = receive
        self._most_bytes = most_bytes
        self._look = look
        self._waiting: deque[tuple[Message, str | None]] = deque()
        self._looks: str | None = None

    @property
    def at_a_look(self) -> bool:
        """Whether the message that came last by :meth:`next` is a look."""
        return self._looks is not None

    async def next(self, over: "asyncio.Future[None]") -> Message | None:
        """The next message; None once ``over`` is."""
        if self._waiting:
            message, self._looks = self._waiting.popleft()
            return message
        read = await self._read_until(over)
        self._looks = self._look(read["bytes"]) if read is not None and read["type"] == RECEIVED else None
        return read

    async def until(self, turn: Coroutine[Any, Any, None], over: "asyncio.Future[None]") -> Message | None:
        """Await ``turn`` for the message that came last; the message that ends the page if one comes meanwhile, or
        :data:`GIVEN_UP`. Given up as well once it is ``over``."""
        taken = asyncio.ensure_future(turn)
        try:
            await asyncio.sleep(0)  # mostly it is there at once, and nothing is to be read
            while not taken.done() and not over.done():
                message = await self._read_until(taken, over)
                if message is not None and message["type"] != RECEIVED:
                    return message
                if message is not None:
                    given_up = self._keep(message)
                    if self._too_many():
                        return {"type": "websocket.disconnect", "code": 1008}
                    if given_up and not taken.done():
                        return GIVEN_UP
            if taken.done():
                taken.result()
            return None
        finally:
            taken.cancel()

    def _keep(self, message: Message) -> bool:
        """Have it wait, but no look twice, and none before a hand's; whether the look at hand is to give way to it."""
        look = self._look(message["bytes"])
        if look is None:
            self._waiting = deque(other for other in self._waiting if other[1] is None)
        elif look == self._looks or look in (other for _, other in self._waiting):
            return False
        self._waiting.append((message, look))
        return look is None and self.at_a_look

    def _too_many(self) -> bool:
        waiting = sum(len(message["bytes"]) for message, _ in self._waiting)
        return len(self._waiting) > MOST_WAITING or waiting > self._most_bytes

    async def _read_until(self, *others: "asyncio.Future[None]") -> Message | None:
        """One message, or None if something else was done before; then none is lost."""
        coming: asyncio.Future[Any] = asyncio.ensure_future(self._receive())
        try:
            await asyncio.wait([coming, *others], return_when=asyncio.FIRST_COMPLETED)
        finally:
            coming.cancel()
        await asyncio.wait({coming})
        return None if coming.cancelled() else self._meant(coming.result())

    def _meant(self, message: Message) -> Message:
        """The message, or what stands for one that no page sends: kept until its turn, it would take its length."""
        if message["type"] != RECEIVED:
            return message
        said = message.get("bytes")
        return message if said is not None and len(said) <= self._most_bytes else UNHEARD_OF
