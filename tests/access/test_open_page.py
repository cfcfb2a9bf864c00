"""A web socket is of one person in one set of roles, and what was told there is theirs: without a server."""

import asyncio
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest

from fleetbrake.access.ahead import MOST_WAITING
from fleetbrake.access.asgi import Message, Receive
from fleetbrake.access.caller import SIGN_IN_FIRST, Caller
from fleetbrake.access.keeper import page_name, whose
from fleetbrake.access.kept_files import KeptFiles
from fleetbrake.access.open_page import LONGEST_MESSAGE, LONGEST_OUTSIDE, MOST_IN_VAIN, OpenPage
from fleetbrake.access.pace import Places
from fleetbrake.access.roles import NOBODY, Role, Viewer

SAFETY = Caller(Viewer("x", frozenset({Role.SAFETY})), signed_in=True, person="p")
ANALYST = replace(SAFETY, viewer=Viewer("x", frozenset({Role.ANALYST})))
LEFT = Caller(NOBODY, SIGN_IN_FIRST)


class _Keeper:
    """Says who is there as told; a message ``tells X`` names X, ``asks X`` asks for it. ``draw file X`` is
    answered by ``made X``, ``rows X`` as well, any other ``draw`` by ``drawn``."""

    def __init__(self) -> None:
        self.now = SAFETY

    def caller(self, _headers: Mapping[str, str], _remote_ip: str | None, *, speaks: bool) -> Caller:
        assert speaks
        return self.now

    def passes(self, message: bytes, _caller: Caller) -> bool:
        return message != b"no"

    def look(self, message: bytes) -> str | None:
        return message.decode() if message.startswith(b"look") else None

    def is_work(self, message: bytes) -> bool:
        return message.startswith(b"draw")

    def answered_as(self, message: bytes) -> str:
        return message[-1:].decode() if message.startswith((b"draw file", b"rows")) else ""

    def done(self, message: bytes) -> str | None:
        made = message.removeprefix(b"made ").decode() if message.startswith(b"made ") else None
        return "" if message == b"drawn" else made

    def told(self, message: bytes) -> frozenset[str]:
        return frozenset({message[6:].decode()}) if message.startswith(b"tells ") else frozenset()

    def asked_for(self, message: bytes) -> str | None:
        return message[5:].decode() if message.startswith(b"asks ") else None

    def takes_up(self, protocols: str) -> tuple[str, str]:
        told = [one.strip() for one in protocols.split(",")]
        return (told[1] if len(told) > 1 else ""), told[0]


class _Line:
    """An open page, what is to come from its browser, and what was sent to it."""

    def __init__(self, opened_by: Caller = SAFETY, protocols: str = "ours") -> None:
        self.keeper, self.files = _Keeper(), KeptFiles()
        self.keeper.now = opened_by
        self.scope = {
            "type": "websocket", "headers": [(b"Sec-WebSocket-Protocol", protocols.encode())],
            "subprotocols": protocols.split(", "), "client": None,
        }  # fmt: skip
        self.page = OpenPage(self.scope, opened_by, self.keeper, self.files, lambda *_: None)  # type: ignore[arg-type]
        self.coming: list[Message] = []
        self.sent: list[Message] = []
        self._send = self.page.spoken(self._sent)
        self._receive = self.page.heard(self._come)

    async def _come(self) -> Message:
        return self.coming.pop(0) if self.coming else {"type": "websocket.disconnect", "code": 1000}

    async def _sent(self, message: Message) -> None:
        self.sent.append(message)

    def says(self, said: bytes) -> None:
        _run(self._send({"type": "websocket.send", "bytes": said}))

    def hears(self, *said: Any) -> Message:
        self.coming = [{"type": "websocket.receive", "bytes": one} for one in said]
        return _run(self._receive())  # type: ignore[no-any-return]


def _run(work: Any) -> Any:
    """In a thread of its own: another test of this process may have a loop at work in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, work).result()


def test_what_was_told_is_theirs_and_may_be_asked_for() -> None:
    line = _Line()
    assert line.hears(b"asks f")["type"] == "websocket.disconnect", "never told of"
    line.says(b"tells f")
    assert line.sent[-1]["bytes"] == b"tells f" and line.files.told("f", whose(SAFETY))
    assert line.hears(b"no", b"asks g", b"asks f")["bytes"] == b"asks f"


@pytest.mark.parametrize("now", [ANALYST, LEFT])
def test_what_is_made_after_a_change_is_told_to_nobody(now: Caller) -> None:
    """Asked for in one role, made when there is another one: the page is closed, and nothing more is said."""
    line = _Line()
    assert line.hears(b"asks-nothing")["type"] == "websocket.receive"
    line.keeper.now = now
    with pytest.raises(ConnectionError):
        line.says(b"tells late")
    assert line.sent == [{"type": "websocket.close", "code": 1008}]
    assert not line.files.told("late", whose(SAFETY)) and not line.files.told("late", whose(now))
    with pytest.raises(ConnectionError):
        line.says(b"anything")
    line.keeper.now = SAFETY  # who is back in the old role opens it anew as well
    assert line.hears(b"hello")["type"] == "websocket.disconnect" and len(line.sent) == 1


@pytest.mark.parametrize("now", [ANALYST, LEFT])
def test_whoever_changed_is_heard_no_more(now: Caller) -> None:
    line = _Line()
    line.keeper.now = now
    assert line.hears(b"hello") == {"type": "websocket.disconnect", "code": 1008}


def test_long_drawn_pages_are_asked_for_whom_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """A message that names nothing passes for half a second, and no longer."""
    line = _Line()
    line.keeper.now = ANALYST
    line.says(b"a name in a table")
    assert len(line.sent) == 1
    line.page._asked_at -= 1.0
    with pytest.raises(ConnectionError):
        line.says(b"another name")


@pytest.mark.parametrize("said", [None, b"x" * (LONGEST_MESSAGE + 1)])
def test_what_no_page_sends_ends_it(said: bytes | None) -> None:
    assert _Line().hears(said) == {"type": "websocket.disconnect", "code": 1009}


def test_each_message_waits_for_its_turns_and_who_left_meanwhile_is_not_heard() -> None:
    line, turns = _Line(), []

    class _Turns:
        async def turn(self, look: bool = False) -> None:
            turns.append(len(line.coming))
            if len(turns) == 6:
                line.keeper.now = LEFT

    line.page._paces = (_Turns(), _Turns())  # type: ignore[assignment]
    assert line.hears(b"no", b"no", b"hello")["bytes"] == b"hello" and turns == [2, 1, 0, 0], (
        "what is refused waits as well, and takes no turn that pages share"
    )
    assert line.hears(b"hello") == {"type": "websocket.disconnect", "code": 1008} and len(turns) == 6


@pytest.mark.parametrize("error", [BrokenPipeError(), RuntimeError("sent after the server's own close")])
def test_what_a_browser_that_is_gone_still_asked_for_is_not_heard(error: Exception) -> None:
    """The framework would write pages of its own calls into the log, as often as somebody does so."""
    line = _Line()

    async def _gone(_message: Message) -> None:
        raise error

    class _Meanwhile:
        async def turn(self, look: bool = False) -> None:
            with pytest.raises(OSError):  # the framework takes any for a browser that is gone
                await line.page.spoken(_gone)({"type": "websocket.send", "bytes": b"x"})

    line.page._paces = (_Meanwhile(),)  # type: ignore[assignment]
    assert line.hears(b"hello", b"hello") == {"type": "websocket.disconnect", "code": 1008}


def test_an_older_page_is_gone_on_with_by_its_own_person_in_its_roles_alone() -> None:
    for opened_by, told_to, goes_on in ((SAFETY, SAFETY, True), (ANALYST, SAFETY, False), (SAFETY, None, False)):
        line = _Line(opened_by, "ours, s1")
        if told_to is not None:
            line.files.note([page_name("s1")], whose(told_to))
        scope = line.page.scope(line.scope)
        assert scope["subprotocols"] == (["ours", "s1"] if goes_on else ["ours"])
        assert dict(scope["headers"]) in (
            {b"Sec-WebSocket-Protocol": b"ours, s1"} if goes_on else {b"sec-websocket-protocol": b"ours"},
        )
    line = _Line()
    assert line.page.scope(line.scope) is line.scope


# --- what comes while a message waits --------------------------------------------------------------------------------


class _Never:
    """A turn that does not come."""

    async def turn(self, look: bool = False) -> None:
        await asyncio.sleep(3600.0)


class _InAWhile:
    """A turn that comes once all is read that was sent."""

    async def turn(self, look: bool = False) -> None:
        for _ in range(200):
            await asyncio.sleep(0)


async def _heard(
    line: _Line, said: list[bytes], *paces: Any, leaves: bool = False, number: int = 1
) -> tuple[list[Message], int]:
    """What is heard of these messages, which are there at once as on a server; and how many of them were not taken."""
    line.page._paces = paces
    queue: asyncio.Queue[Message] = asyncio.Queue()
    for one in said:
        queue.put_nowait({"type": "websocket.receive", "bytes": one})
    if leaves:
        queue.put_nowait({"type": "websocket.disconnect", "code": 1001})
    receive = line.page.heard(queue.get)
    return [await asyncio.wait_for(receive(), 20.0) for _ in range(number)], queue.qsize()


def test_whoever_is_gone_is_seen_to_be_at_once() -> None:
    """What was sent before waits for its turn no more: its place is free, and a server that is to end may."""
    line = _Line(LEFT)
    line.keeper.now = LEFT
    (last,), _ = _run(_heard(line, [b"x"] * 90, _Never(), leaves=True))
    assert last == {"type": "websocket.disconnect", "code": 1001}
    with pytest.raises(ConnectionError):
        line.says(b"nobody is there")
    (last,), _ = _run(_heard(_Line(), [b"x"] * 90, _InAWhile(), _Never(), leaves=True))
    assert last == {"type": "websocket.disconnect", "code": 1001}, "where it waits with others too"


@pytest.mark.parametrize(("said", "taken"), [([b"x"] * 4_000, MOST_WAITING + 2), ([b"x" * 300_000] * 90, 5)])
def test_too_much_that_waits_ends_it(said: list[bytes], taken: int) -> None:
    line = _Line()
    (last,), left = _run(_heard(line, said, _Never()))
    assert last == {"type": "websocket.disconnect", "code": 1008} and len(said) - left == taken


@pytest.mark.parametrize("opened_by", [LEFT, SAFETY])
@pytest.mark.parametrize("unheard_of", [{"text": "x" * 900_000}, {"bytes": b"x" * (LONGEST_MESSAGE + 1)}, {}])
def test_what_no_page_sends_ends_it_while_another_waits(opened_by: Caller, unheard_of: dict[str, Any]) -> None:
    """Kept until its turn, a hundred long texts would cost a hundred megabytes for each socket, before the door too."""
    line = _Line(opened_by)
    queue: asyncio.Queue[Message] = asyncio.Queue()
    line.page._paces = (_Never(),)  # type: ignore[assignment]
    for one in ({"bytes": b"x"}, *[unheard_of] * 90):
        queue.put_nowait({"type": "websocket.receive", **one})

    async def _hear() -> Message:
        return await asyncio.wait_for(line.page.heard(queue.get)(), 5.0)

    assert _run(_hear()) == {"type": "websocket.disconnect", "code": 1009} and queue.qsize() == 89


def test_what_was_read_ahead_is_heard_in_its_order() -> None:
    said = [str(number).encode() for number in range(MOST_WAITING)]
    heard, _ = _run(_heard(_Line(), said, _InAWhile(), _InAWhile(), number=len(said)))
    assert [message["bytes"] for message in heard] == said


def test_before_the_door_little_is_said_and_in_vain_not_often() -> None:
    for caller, longest in ((LEFT, LONGEST_OUTSIDE), (SAFETY, LONGEST_MESSAGE)):
        assert _Line(caller).hears(b"x" * longest)["type"] == "websocket.receive"
        assert _Line(caller).hears(b"x" * (longest + 1))["code"] == 1009
        line = _Line(caller)
        assert line.hears(*[b"no"] * MOST_IN_VAIN, b"hello")["bytes"] == b"hello"
        assert (line.hears(b"no", b"hello")["type"] == "websocket.disconnect") == (caller is LEFT)


def test_a_page_that_is_ended_from_outside_hears_no_more() -> None:
    async def _ends(line: _Line, *said: bytes) -> list[Message]:
        queue: asyncio.Queue[Message] = asyncio.Queue()
        for one in said:
            queue.put_nowait({"type": "websocket.receive", "bytes": one})
        receive = line.page.heard(queue.get)
        waits = asyncio.ensure_future(receive())
        for _ in range(5):
            await asyncio.sleep(0)
        line.page.end()
        return [await asyncio.wait_for(waits, 20.0), await asyncio.wait_for(receive(), 20.0)]

    silent, waiting = _Line(LEFT), _Line(LEFT)
    waiting.page._paces = (_Never(),)  # type: ignore[assignment]
    for line, said in ((silent, ()), (waiting, (b"hello",))):
        assert _run(_ends(line, *said)) == [{"type": "websocket.disconnect", "code": 1008}] * 2


def test_one_page_of_a_person_is_drawn_after_the_other() -> None:
    """What is no work passes; the place is free again once the first says that it is drawn, or is left."""

    async def _two() -> list[bytes]:
        places, heard = Places(1, 60.0), []
        first, second = _Line(), _Line()
        first.page._places = second.page._places = places
        asked: asyncio.Queue[Message] = asyncio.Queue()  # its browser stays there
        receive = second.page.heard(asked.get)
        for said in (b"hello", b"draw 2"):
            asked.put_nowait({"type": "websocket.receive", "bytes": said})

        async def _hear(take: Receive, number: int) -> None:
            for _ in range(number):
                heard.append((await take())["bytes"])

        first.coming = [{"type": "websocket.receive", "bytes": b"draw 1"}]
        await _hear(first._receive, 1)
        behind = asyncio.ensure_future(_hear(receive, 2))
        await asyncio.sleep(0.05)
        assert heard == [b"draw 1", b"hello"]
        await first._send({"type": "websocket.send", "bytes": b"drawn"})
        await asyncio.wait_for(behind, 5.0)
        return heard

    assert _run(_two()) == [b"draw 1", b"hello", b"draw 2"]


def test_a_place_is_free_again_by_the_end_of_what_holds_it() -> None:
    """A question that fails at once, beside a page that is being drawn, would else have any number drawn at a time."""

    async def _asks() -> list[bytes]:
        places, heard, queue = Places(2, 60.0), [], asyncio.Queue()
        line = _Line()
        line.page._places = places
        receive = line.page.heard(queue.get)

        async def _hear() -> None:
            while (message := await receive())["type"] == "websocket.receive":
                heard.append(message["bytes"])

        async def _say(*said: bytes) -> None:
            for one in said:
                queue.put_nowait({"type": "websocket.receive", "bytes": one})
            await asyncio.sleep(0.02)

        hearing = asyncio.ensure_future(_hear())
        await _say(b"draw", b"draw file 1", b"draw file 2")
        assert heard == [b"draw", b"draw file 1"], "two places"
        for other in (b"made 2", b"made 3", b"anything"):
            await line._send({"type": "websocket.send", "bytes": other})
        await _say()
        assert heard == [b"draw", b"draw file 1"], "no end of what holds them"
        await line._send({"type": "websocket.send", "bytes": b"made 1"})
        await _say(b"draw file 2", b"rows 2", b"rows 3", b"draw file 4")
        assert heard[2:] == [b"draw file 2", b"rows 3"], (
            "of one name with what is being made nothing is asked meanwhile"
        )
        await line._send({"type": "websocket.send", "bytes": b"drawn"})
        await _say(b"rows 2", b"rows 5")
        assert heard[4:] == [b"draw file 4", b"rows 5"]
        places.give_back_all(line.page)
        assert not places._held
        hearing.cancel()
        return heard

    assert len(_run(_asks())) == 6
