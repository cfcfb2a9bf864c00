"""What a browser sends while a message of it waits: looks that a page asks for by itself, and what a hand asks for."""

import asyncio
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from fleetbrake.access.ahead import GIVEN_UP, MOST_WAITING, Ahead
from fleetbrake.access.asgi import Message


def _run(work: Any) -> Any:
    """In a thread of its own: another test of this process may have a loop at work in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()


def _look(said: bytes) -> str | None:
    return said[:6].decode() if said.startswith(b"look") else None


async def _went(*said: bytes) -> tuple[list[bytes], list[bytes]]:
    """Of messages that are there at once, each of which waits until all is read: what is heard and what is given up."""
    queue: asyncio.Queue[Message] = asyncio.Queue()
    ahead, over = Ahead(queue.get, 10_000, _look), asyncio.get_running_loop().create_future()
    for one in said:
        queue.put_nowait({"type": "websocket.receive", "bytes": one})
    heard: list[bytes] = []
    given_up: list[bytes] = []

    async def _turn() -> None:
        while queue.qsize():
            await asyncio.sleep(0)
        for _ in range(5):
            await asyncio.sleep(0)

    while queue.qsize() or ahead._waiting:
        message = await ahead.next(over)
        assert message is not None and ahead.at_a_look == (_look(message["bytes"]) is not None)
        last = await asyncio.wait_for(ahead.until(_turn(), over), 20.0)
        assert last in (None, GIVEN_UP)
        (given_up if last is GIVEN_UP else heard).append(message["bytes"])
    return heard, given_up


@pytest.mark.parametrize(
    ("said", "heard", "given_up"),
    [
        ([b"look a"] * 90, [b"look a"], []),
        ([b"look a", b"look b"] * 90, [b"look a", b"look b"], []),
        ([b"hand", *[b"look a", b"look b"] * 90], [b"hand", b"look a", b"look b"], []),
        ([b"look a", b"look b", b"look a", b"hand"], [b"hand"], [b"look a"]),
        ([b"hand 1", b"look a", b"hand 2", b"hand 3"], [b"hand 1", b"hand 2", b"hand 3"], []),
        ([b"look a", b"hand", b"look a", b"look a"], [b"hand", b"look a"], [b"look a"]),
        ([b"hand", b"look a older", b"look a newer"], [b"hand", b"look a older"], []),
    ],
)
def test_no_look_waits_twice_nor_before_what_a_hand_asked_for(
    said: list[bytes], heard: list[bytes], given_up: list[bytes]
) -> None:
    """An older look behind a hand's message would set what stands on the page back."""
    assert _run(_went(*said)) == (heard, given_up)


def test_looks_never_end_a_page_and_hands_do() -> None:
    async def _flooded(kind: bytes) -> Message | None:
        queue: asyncio.Queue[Message] = asyncio.Queue()
        ahead, over = Ahead(queue.get, 100_000, _look), asyncio.get_running_loop().create_future()
        for number in range(3 * MOST_WAITING):
            queue.put_nowait({"type": "websocket.receive", "bytes": kind + b"%d" % (number % 7)})
        await ahead.next(over)

        async def _turn() -> None:
            while queue.qsize():
                await asyncio.sleep(0)

        return await asyncio.wait_for(ahead.until(_turn(), over), 20.0)

    assert _run(_flooded(b"look ")) is None
    assert _run(_flooded(b"hand ")) == {"type": "websocket.disconnect", "code": 1008}


def test_a_look_that_has_its_turn_already_is_heard_before_the_hand() -> None:
    async def _both_at_once() -> Message | None:
        queue: asyncio.Queue[Message] = asyncio.Queue()
        ahead, over = Ahead(queue.get, 1_000, _look), asyncio.get_running_loop().create_future()
        queue.put_nowait({"type": "websocket.receive", "bytes": b"look a"})
        await ahead.next(over)

        async def _turn() -> None:
            await asyncio.sleep(0)
            queue.put_nowait({"type": "websocket.receive", "bytes": b"hand"})

        last = await ahead.until(_turn(), over)
        assert (await ahead.next(over) or {})["bytes"] == b"hand"
        return last

    assert _run(_both_at_once()) is None


def test_where_nothing_is_a_look_all_is_heard_in_its_order() -> None:
    """As before the door."""

    async def _plain() -> list[bytes]:
        queue: asyncio.Queue[Message] = asyncio.Queue()
        ahead, over = Ahead(queue.get, 1_000), asyncio.get_running_loop().create_future()
        for one in (b"look a", b"look a", b"hand"):
            queue.put_nowait({"type": "websocket.receive", "bytes": one})
        heard = []
        for _ in range(3):
            heard.append((await ahead.next(over) or {})["bytes"])
            assert await ahead.until(asyncio.sleep(0.01), over) is None
        return heard

    assert _run(_plain()) == [b"look a", b"look a", b"hand"]
