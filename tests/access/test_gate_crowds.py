"""How many pages may be open, and who gives way: the gate without a server."""

import asyncio
import time
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from gate_keeper import INSIDE, OUTSIDE
from gate_keeper import StubKeeper as _Keeper

from fleetbrake.access import gate as gate_of_all
from fleetbrake.access.caller import Caller
from fleetbrake.access.gate import GIVES_WAY_S, MOST_INSIDE, MOST_LOCAL, MOST_OF_ONE, MOST_OUTSIDE, Gate


def _run(work: Coroutine[Any, Any, None]) -> None:
    """In a thread of its own: another test of this process may have a loop at work in this one."""
    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, work).result()


class _Sockets:
    """Web sockets of whom the keeper says, held open until the end."""

    def __init__(self, keeper: _Keeper) -> None:
        self.keeper, self.refused, self.held = keeper, 0, 0
        self.gate = Gate(self._hold, keeper)

    async def _hold(self, _scope: Any, _receive: Any, _send: Any) -> None:
        self.held += 1
        await self._end.wait()

    async def _send(self, message: Any) -> None:
        self.refused += message == {"type": "websocket.close", "code": 1013}

    async def _open(self, callers: list[Caller]) -> None:
        self._end, tasks = asyncio.Event(), []
        for one in callers:
            self.keeper._caller = one
            scope = {"type": "websocket", "path": "/_stcore/stream", "query_string": b"", "headers": [], "client": None}
            tasks.append(asyncio.ensure_future(self.gate(scope, self._send, self._send)))  # type: ignore[arg-type]
            await asyncio.sleep(0)
        self._end.set()
        await asyncio.gather(*tasks)

    def open(self, callers: list[Caller]) -> tuple[int, int]:
        self.refused = self.held = 0
        _run(self._open(callers))
        return self.held, self.refused


def test_nobody_takes_all_pages_that_may_be_open() -> None:
    """One person's are counted beside everybody's, and are free again once they are closed."""
    sockets, other = _Sockets(_Keeper()), Caller(INSIDE.viewer, signed_in=True, person="q")
    for _ in range(2):
        assert sockets.open([INSIDE] * 40 + [other] * 3) == (MOST_OF_ONE + 3, 40 - MOST_OF_ONE)
    local = Caller(INSIDE.viewer, person="local")
    assert sockets.open([local] * (MOST_LOCAL + 2)) == (MOST_LOCAL, 2)
    assert not sockets.gate._open_of and sockets.gate._open == {True: 0, False: 0}
    crowd = [Caller(INSIDE.viewer, signed_in=True, person=str(n)) for n in range(MOST_INSIDE + 1)]
    assert sockets.open(crowd) == (MOST_INSIDE, 1)


def test_before_the_door_the_oldest_silent_page_gives_way() -> None:
    """Tabs whose sign-in ran out stay open for days: who comes to sign in is let in to the door all the same."""
    ended: list[int] = []

    async def _until_the_end(scope: Any, receive: Any, _send: Any) -> None:
        while (await receive())["type"] == "websocket.receive":
            pass
        ended.append(scope["number"])

    async def _crowd() -> list[int]:
        gate, tasks, refused = Gate(_until_the_end, _Keeper(OUTSIDE)), [], 0
        queues: list[asyncio.Queue[Any]] = []

        async def _send(message: Any) -> None:
            nonlocal refused
            refused += message == {"type": "websocket.close", "code": 1013}

        async def _open() -> None:
            queues.append(asyncio.Queue())
            scope = {
                "type": "websocket", "path": "/_stcore/stream", "query_string": b"", "headers": [], "client": None,
                "number": len(tasks),
            }  # fmt: skip
            tasks.append(asyncio.ensure_future(gate(scope, queues[-1].get, _send)))
            for _ in range(5):
                await asyncio.sleep(0)

        for _ in range(MOST_OUTSIDE + 1):
            await _open()
        assert refused == 1 and not ended, "none is old enough"
        for number, page in enumerate(gate._outside[:3]):
            page.opened_at -= GIVES_WAY_S + 1.0
            page.heard_at -= GIVES_WAY_S + 1.0 - number
        queues[0].put_nowait({"type": "websocket.receive", "bytes": b"x"})  # who said something is the last of them
        for _ in range(20):
            await asyncio.sleep(0)
        for _ in range(4):
            await _open()
        counted = (refused, gate._open[False], len(gate._outside))
        for queue in queues:
            queue.put_nowait({"type": "websocket.disconnect", "code": 1001})
        await asyncio.gather(*tasks)
        assert counted == (2, MOST_OUTSIDE, MOST_OUTSIDE) and gate._open[False] == 0 and not gate._outside
        return ended[:3]

    with ThreadPoolExecutor(1) as pool:
        assert pool.submit(asyncio.run, _crowd()).result() == [1, 2, 0]


def test_a_page_that_is_closed_leaves_all_its_places_to_the_others() -> None:
    """What it still has drawn and made would hold up its person's other pages for half a minute."""
    heard: list[bytes] = []

    async def _hears(_scope: Any, receive: Any, _send: Any) -> None:
        while (message := await receive())["type"] == "websocket.receive":
            heard.append(message["bytes"])

    async def _leave_and_come() -> None:
        gate = Gate(_hears, _Keeper())
        scope = {"type": "websocket", "path": "/_stcore/stream", "query_string": b"", "headers": [], "client": None}
        for said in ([b"draw", b"draw file"], [b"draw 2", b"draw file 2"]):
            queue: asyncio.Queue[Any] = asyncio.Queue()
            page = asyncio.ensure_future(gate(dict(scope), queue.get, queue.put))
            for one in said:
                queue.put_nowait({"type": "websocket.receive", "bytes": one})
                await asyncio.sleep(0.02)
            queue.put_nowait({"type": "websocket.disconnect", "code": 1001})
            await asyncio.wait_for(page, 5.0)

    _run(_leave_and_come())
    assert heard == [b"draw", b"draw file", b"draw 2", b"draw file 2"]


def test_a_press_is_heard_at_once_though_all_pages_of_its_person_look(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fifteen pages that have looked each second for a while, of which three a second are heard: the press waited
    behind its own page's looks, and in the end the pages were closed."""
    monkeypatch.setattr(gate_of_all, "_ONE_PERSON", (20.0, 10.0))  # seven times as fast, as all else here
    heard: list[tuple[int, bytes]] = []

    async def _hears(scope: Any, receive: Any, _send: Any) -> None:
        while (message := await receive())["type"] == "websocket.receive":
            heard.append((scope["number"], message["bytes"]))
        heard.append((scope["number"], b"closed"))

    async def _look_and_press() -> float:
        gate, queues = Gate(_hears, _Keeper()), [asyncio.Queue[Any]() for _ in range(15)]
        scope = {"type": "websocket", "path": "/_stcore/stream", "query_string": b"", "headers": [], "client": None}
        pages = [asyncio.ensure_future(gate({**scope, "number": n}, q.get, q.put)) for n, q in enumerate(queues)]
        end = time.monotonic() + 3.0
        while time.monotonic() < end:
            for queue in queues:
                queue.put_nowait({"type": "websocket.receive", "bytes": b"look"})
            await asyncio.sleep(0.03)
        pressed = time.monotonic()
        queues[0].put_nowait({"type": "websocket.receive", "bytes": b"press"})
        while (0, b"press") not in heard and time.monotonic() < pressed + 10.0:
            await asyncio.sleep(0.01)
        waited = time.monotonic() - pressed
        assert not [one for one in heard if one[1] == b"closed"], "a hundred looks of each page came"
        assert {number for number, _ in heard} == set(range(15)), "each is heard now and then"
        for queue in queues:
            queue.put_nowait({"type": "websocket.disconnect", "code": 1001})
        await asyncio.wait_for(asyncio.gather(*pages), 20.0)
        return waited

    with ThreadPoolExecutor(1) as pool:
        assert pool.submit(asyncio.run, _look_and_press()).result() < 1.0
