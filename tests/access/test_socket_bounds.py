"""What comes beside messages, what is never finished, and what nobody takes is bounded before the gate hears of it."""

import asyncio
import socket
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace
from typing import Any, NamedTuple

import pytest
from uvicorn import Config, Server
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol
from uvicorn.server import ServerState

from fleetbrake.access import socket_bounds
from fleetbrake.access.open_page import LONGEST_MESSAGE
from fleetbrake.access.socket_bounds import LOOKED_AT, MOST_FRAMES, WITHIN_S, end_in_time, keep_in_bounds

_TEXT, _BYTES, _MORE, _PING, _PONG = 1, 2, 0, 9, 10
_ASKS = (
    b"GET /_stcore/stream HTTP/1.1\r\nHost: x\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
)


class _Sockets(WebSocketsSansIOProtocol):
    """The server's own class; what is bounded here is this one alone."""


keep_in_bounds(_Sockets)


class _Requests(H11Protocol):
    """As above, for what is no web socket."""


end_in_time(_Requests)


class _Transport:
    """The other end: what is written to it, and whether it is gone."""

    def __init__(self) -> None:
        self.written: list[bytes] = []
        self.gone = self.aborted = False

    def write(self, data: bytes) -> None:
        assert not self.gone, "the server's log would tell of each"
        self.written.append(data)

    def is_closing(self) -> bool:
        return self.gone

    def close(self) -> None:
        self.gone = True

    def abort(self) -> None:
        self.gone = self.aborted = True

    def get_extra_info(self, _name: str) -> None:
        return None

    def pause_reading(self) -> None:
        pass

    resume_reading = pause_reading


def _frame(kind: int, data: bytes = b"", last: bool = True, told: int | None = None) -> bytes:
    """A frame of a browser: RFC 6455 section 5.2 (from memory); ``told``: what it says of its length."""
    length = len(data) if told is None else told
    size = bytes([128 | length]) if length < 126 else bytes([255]) + length.to_bytes(8, "big")
    return bytes([(128 if last else 0) | kind]) + size + b"\0\0\0\0" + data


class _Left(NamedTuple):
    """What an open web socket is like after it was sent something; ``kept``: bytes of what is not finished."""

    gone: bool
    aborted: bool
    written: int
    kept: int


def _said(sockets: type[Any], *parts: bytes) -> _Left:
    async def _say() -> _Left:
        ends = asyncio.Event()

        async def _app(_scope: Any, _receive: Any, send: Any) -> None:
            await send({"type": "websocket.accept"})
            await ends.wait()

        config = Config(_app, ws="websockets-sansio", ws_max_size=64_000_000, log_config=None)
        config.load()
        transport, one = _Transport(), sockets(config, ServerState(), {})
        one.connection_made(transport)
        one.data_received(_ASKS)
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert b"101 Switching" in transport.written.pop()
        for part in parts:
            if not transport.gone:
                one.data_received(part)
        one.stop_keepalive()
        kept = len(one.conn.reader.buffer) + sum(map(len, one.frames))
        left = _Left(transport.gone, transport.aborted, len(transport.written), kept)
        ends.set()
        await asyncio.sleep(0)
        return left

    with ThreadPoolExecutor(1) as pool:  # another test of this process may have a loop at work in this one
        return pool.submit(asyncio.run, _say()).result()


@pytest.mark.parametrize("kind", [_PING, _PONG, _MORE, _BYTES, _TEXT])
def test_so_many_frames_and_then_it_is_gone(kind: int) -> None:
    """One read of a server brings 40,000 of them; few are looked at."""
    begun = _frame(_BYTES, last=False) if kind == _MORE else b""
    one = _frame(kind, last=kind != _MORE)
    assert not _said(_Sockets, begun + one * (MOST_FRAMES - 1)).gone
    many = _said(_Sockets, begun + one * 40_000)
    assert many.aborted and many.written <= MOST_FRAMES
    assert not _said(WebSocketsSansIOProtocol, begun + one * 2_000).gone, "it would not be by itself"


def test_after_a_while_frames_are_counted_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = iter(range(10_000_000))
    monkeypatch.setattr(socket_bounds, "time", SimpleNamespace(monotonic=lambda: next(clock) * WITHIN_S / 300))
    assert not _said(_Sockets, _frame(_PING) * 5_000).gone, "300 in that time"


@pytest.mark.parametrize("pieces", [False, True])
def test_what_is_not_finished_is_not_kept(pieces: bool) -> None:
    if pieces:
        parts = [_frame(_BYTES, bytes(100_000), last=False), *[_frame(_MORE, bytes(100_000), last=False)] * 20]
    else:
        parts = [_frame(_BYTES, bytes(100_000), told=60_000_000), *[bytes(100_000)] * 20]
    left = _said(_Sockets, *parts)
    assert left.gone and left.kept <= LONGEST_MESSAGE
    assert _said(WebSocketsSansIOProtocol, *parts).kept > 2 * LONGEST_MESSAGE, "it would be"


def test_the_longest_message_passes_in_pieces_too() -> None:
    whole = _frame(_BYTES, bytes(LONGEST_MESSAGE))
    piece = LOOKED_AT - 14
    parts = [_frame(_BYTES, bytes(piece), last=False), *[_frame(_MORE, bytes(piece), last=False)] * 243]
    for said in ([whole], parts):
        assert not _said(_Sockets, b"".join(said)).gone


def test_another_class_than_the_known_one_is_refused_and_twice_is_once() -> None:
    with pytest.raises(AttributeError):
        keep_in_bounds(type("Other", (), {}))
    before = _Sockets.data_received
    keep_in_bounds(_Sockets)
    assert _Sockets.data_received is before


# --- what nobody takes -----------------------------------------------------------------------------------------------

#: More than the system takes in for a browser that does not read (bytes).
_LONG_ANSWER = bytes(20_000_000)


class _Ends(NamedTuple):
    """How long (s) a connection is there that nobody reads from, and how long a server that is to end; and whether
    anything was said of it."""

    page_s: float
    server_s: float
    said: list[Any]


async def _answers(scope: Any, _receive: Any, send: Any) -> None:
    if scope["type"] == "http":
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": _LONG_ANSWER, "more_body": scope["path"] == "/more"})
        await send({"type": "http.response.body", "body": _LONG_ANSWER})
        return
    await send({"type": "websocket.accept"})
    await send({"type": "websocket.send", "bytes": _LONG_ANSWER})
    while (await _receive())["type"] == "websocket.receive":
        pass


async def _until(is_so: Callable[[], bool], patience_s: float = 5.0) -> float:
    began = time.monotonic()
    while not is_so() and time.monotonic() - began < patience_s:
        await asyncio.sleep(0.01)
    return time.monotonic() - began


def _unread(
    asks: bytes,
    sockets: type[Any] = _Sockets,
    http: type[Any] = _Requests,
    *,
    stays_s: float = 0.0,
    patience_s: float = 10.0,
    reads_then: bool = False,
) -> _Ends:
    """A browser that asks and then reads nothing, or no earlier; a server that is to end after ``stays_s`` at most."""

    async def _serve() -> _Ends:
        loop, said = asyncio.get_running_loop(), []
        loop.set_exception_handler(lambda _, told: said.append(told))
        config = Config(
            _answers, ws=sockets, http=http, ws_ping_interval=0.1, ws_ping_timeout=0.1, lifespan="off", log_config=None
        )
        server = Server(config)
        with socket.create_server(("127.0.0.1", 0)) as listens, socket.socket() as link:
            serving = asyncio.ensure_future(server.serve(sockets=[listens]))
            await _until(lambda: server.started)
            link.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
            link.setblocking(False)
            await loop.sock_connect(link, listens.getsockname())
            await loop.sock_sendall(link, asks)
            connections = server.server_state.connections
            await _until(lambda: any(one.transport.get_write_buffer_size() for one in connections))
            assert connections, "else it was never there"
            page_s = await _until(lambda: not connections, stays_s)
            while reads_then and await loop.sock_recv(link, 1_000_000):
                pass
            await asyncio.sleep(1.5 * socket_bounds.TAKEN_WITHIN_S * reads_then)
            server.should_exit = True
            server_s = await _until(serving.done, patience_s)
            link.close()
            await asyncio.wait_for(serving, 5.0)
            return _Ends(page_s, server_s, said)

    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, _serve()).result()


def test_a_page_whose_browser_stopped_reading_is_gone_in_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    """A phone that is out of reach: it answers no ping, and takes no word of the end either."""
    monkeypatch.setattr(socket_bounds, "TAKEN_WITHIN_S", 0.5)
    gone = _unread(_ASKS, stays_s=10.0)
    assert 0.4 < gone.page_s < 5.0 and gone.server_s < 5.0 and not gone.said
    assert _unread(_ASKS, WebSocketsSansIOProtocol, stays_s=1.5, patience_s=0.0).page_s >= 1.5, (
        "it would not be by itself"
    )


def test_a_browser_that_reads_late_is_told_the_end_and_nothing_is_cut_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(socket_bounds, "TAKEN_WITHIN_S", 1.0)
    late = _unread(_ASKS, stays_s=0.5, reads_then=True)
    assert late.page_s >= 0.5 and late.server_s < 5.0 and not late.said


@pytest.mark.parametrize(
    "asks", [_ASKS, *(f"GET {way} HTTP/1.1\r\nHost: x\r\n\r\n".encode() for way in ("/", "/more"))]
)
def test_what_nobody_takes_keeps_no_server_from_ending(asks: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(socket_bounds, "TAKEN_WITHIN_S", 0.5)
    ended = _unread(asks)
    assert 0.4 < ended.server_s < 5.0 and not ended.said
    assert _unread(asks, WebSocketsSansIOProtocol, H11Protocol, patience_s=1.5).server_s >= 1.5, "it would wait"
