"""What a browser sends, read on while an earlier message of it waits for its turn: its end is seen at once.

Else the end of a connection stands behind all that was sent before it, and each message waits for its turn: the place
of whoever has left is not free for hours, and a server that is to end does not.
"""

import asyncio
from collections import deque
from collections.abc import Coroutine
from typing import Any, Final

from fleetbrake.access.asgi import Message, Receive

#: Messages of one browser that wait for their turn at most. Own choice: nobody presses so often in half a minute.
MOST_WAITING: Final = 100

RECEIVED: Final = "websocket.receive"
#: What stands for a message that no page sends, a text or a long one: it ends the page as soon as it is read.
UNHEARD_OF: Final[Message] = {"type": "websocket.disconnect", "code": 1009}


class Ahead:
    """The messages of one web socket, in the order in which they came.

    Parameters
    ----------
    receive : where they come from.
    most_bytes : bytes of one message, and of all that wait together, at most.
    """

    def __init__(self, receive: Receive, most_bytes: int) -> None:
        self._receive = receive
        self._most_bytes = most_bytes
        self._waiting: deque[Message] = deque()

    async def next(self, over: "asyncio.Future[None]") -> Message | None:
        """The next message; None once ``over`` is."""
        return self._waiting.popleft() if self._waiting else await self._read_until(over)

    async def until(self, turn: Coroutine[Any, Any, None], over: "asyncio.Future[None]") -> Message | None:
        """Await ``turn``; the message that ends the page if one comes meanwhile. Given up once it is ``over``."""
        taken = asyncio.ensure_future(turn)
        try:
            await asyncio.sleep(0)  # mostly it is there at once, and nothing is to be read
            while not taken.done() and not over.done():
                message = await self._read_until(taken, over)
                if message is not None and message["type"] != RECEIVED:
                    return message
                if message is not None:
                    self._waiting.append(message)
                    if self._too_many():
                        return {"type": "websocket.disconnect", "code": 1008}
            if taken.done():
                taken.result()
            return None
        finally:
            taken.cancel()

    def _too_many(self) -> bool:
        waiting = sum(len(message["bytes"]) for message in self._waiting)
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
