"""What comes beside messages, and what is never finished, is bounded before the gate hears of it: without a server."""

import asyncio
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace
from typing import Any, NamedTuple

import pytest
from uvicorn import Config
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol
from uvicorn.server import ServerState

from fleetbrake.access import socket_bounds
from fleetbrake.access.open_page import LONGEST_MESSAGE
from fleetbrake.access.socket_bounds import LOOKED_AT, MOST_FRAMES, WITHIN_S, keep_in_bounds

_TEXT, _BYTES, _MORE, _PING, _PONG = 1, 2, 0, 9, 10
_ASKS = (
    b"GET /_stcore/stream HTTP/1.1\r\nHost: x\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
)


class _Sockets(WebSocketsSansIOProtocol):
    """The server's own class; what is bounded here is this one alone."""


keep_in_bounds(_Sockets)


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
        transport, socket = _Transport(), sockets(config, ServerState(), {})
        socket.connection_made(transport)
        socket.data_received(_ASKS)
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert b"101 Switching" in transport.written.pop()
        for part in parts:
            if not transport.gone:
                socket.data_received(part)
        socket.stop_keepalive()
        kept = len(socket.conn.reader.buffer) + sum(map(len, socket.frames))
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
