"""What one web socket may cost before anybody looks at what it says: few frames, no long message, and an end.

The gate hears finished messages. What comes beside them, and what is still to be finished, the server answers and keeps
on its own: pings, pongs, and pieces of a message. And it waits for ever until a browser takes what was sent to it: a
phone that is out of reach would keep its page open, and the server from ending. Written for the protocol class of
uvicorn that the pages' framework names ("websockets-sansio"). The framework has chosen that class before it reads any
file of ours, so that a class of our own cannot be handed to it: what is bounded is the class itself.
"""

import time
from collections.abc import Callable
from typing import Any, Final

from websockets.server import ServerProtocol

from fleetbrake.access.open_page import LONGEST_MESSAGE

#: Looked at in one go (bytes), then whether the socket may go on. Own choice: 683 of the smallest frames, some 0.01 s
#: in which nobody else is served; a server reads up to sixty times as much at once.
LOOKED_AT: Final = 4_096
#: Frames that one web socket may send in so long (s). Own choice: pages say some 5 messages a second at most, and the
#: longest one comes in a hundred pieces where something in between cuts it small.
MOST_FRAMES: Final = 400
WITHIN_S: Final = 10.0
#: What is unsent when a web socket is closed, or the server is to end, may be taken for so long (s). Own choice: who
#: reads takes it at once, and who starts the server anew waits no longer.
TAKEN_WITHIN_S: Final = 10.0

#: How that class names what it does with each kind of frame but the last one, which ends the socket.
_KINDS: Final = ("handle_text", "handle_bytes", "handle_cont", "handle_ping", "handle_pong")


def keep_in_bounds(sockets: type[Any]) -> None:
    """Bound what each web socket of this class may cost. Doing so twice changes nothing.

    Raises
    ------
    AttributeError
        The class, or what it rests on, is another one than this was written for: better no pages than open ones.
    """
    if getattr(sockets, "in_bounds", False):
        return
    _ = ServerProtocol().max_message_size  # another name would bound nothing
    changed = {kind: _counted(getattr(sockets, kind)) for kind in _KINDS}
    changed["connection_made"] = _bounded(sockets.connection_made)
    changed["data_received"] = _bit_by_bit(sockets.data_received)
    for name, method in changed.items():
        setattr(sockets, name, method)
    sockets.in_bounds = True


def _bounded(made: Callable[[Any, Any], None]) -> Callable[[Any, Any], None]:
    def connection_made(self: Any, transport: Any) -> None:
        self.conn.max_message_size = LONGEST_MESSAGE
        self.frames_since = (time.monotonic(), 0)
        made(self, _Closing(transport, self))

    return connection_made


class _Closing:
    """A connection as its protocol has it; what was closed is gone in a while, whether the rest was taken or not."""

    def __init__(self, transport: Any, protocol: Any) -> None:
        self._transport = transport
        self._protocol = protocol

    def close(self) -> None:
        if not self._transport.is_closing():
            _cut_later(self._protocol)
        self._transport.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._transport, name)


def end_in_time(http: type[Any]) -> None:
    """Bound how long requests of this class keep a server from ending. Doing so twice changes nothing.

    Before that nothing is bounded: an answer may be long, and its way slow.
    """
    if getattr(http, "in_bounds", False):
        return
    shut: Callable[[Any], None] = http.shutdown

    def shutdown(self: Any) -> None:
        shut(self)
        _cut_later(self)

    http.shutdown = shutdown
    http.in_bounds = True


def _cut_later(protocol: Any) -> None:
    """End a connection in a while, if it is still there then."""

    def cut() -> None:
        if protocol in protocol.connections:  # a transport that is gone takes no more calls
            protocol.transport.abort()

    protocol.loop.call_later(TAKEN_WITHIN_S, cut)


def _bit_by_bit(received: Callable[[Any, bytes], None]) -> Callable[[Any, bytes], None]:
    def data_received(self: Any, data: bytes) -> None:
        for begin in range(0, len(data), LOOKED_AT):
            if begin and self.transport.is_closing():
                return
            received(self, data[begin : begin + LOOKED_AT])

    return data_received


def _counted(handler: Callable[..., None]) -> Callable[..., None]:
    """The handler of one kind of frame, for as many frames as may come; with one more the connection is gone."""

    def handle(self: Any, *frame: Any) -> None:
        since, number = self.frames_since
        now = time.monotonic()
        since, number = (now, 1) if now - since > WITHIN_S else (since, number + 1)
        self.frames_since = (since, number)
        if number <= MOST_FRAMES:
            handler(self, *frame)
        elif not self.transport.is_closing():
            self.transport.abort()

    return handle
