"""Turns come at their pace, none is lost, and who leaves takes none. By a clock of the test's own."""

import asyncio
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace

import pytest

from fleetbrake.access import pace
from fleetbrake.access.pace import AHEAD, LATE_S, Crowd, Pace, Places, Share


class _Clock:
    """Sleeping sets it forward; nothing is waited for."""

    def __init__(self) -> None:
        self.now = 100.0

    def monotonic(self) -> float:
        return self.now

    async def sleep(self, seconds: float) -> None:
        assert seconds > 0.0
        self.now += seconds
        await asyncio.sleep(0)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> _Clock:
    told = _Clock()
    monkeypatch.setattr(pace, "time", SimpleNamespace(monotonic=told.monotonic))
    monkeypatch.setattr(pace, "asyncio", SimpleNamespace(**{**vars(asyncio), "sleep": told.sleep}))
    return told


def _turns(one: Pace, number: int) -> None:
    async def _take() -> None:
        for _ in range(number):
            await one.turn()

    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, _take()).result()


def test_some_at_once_and_then_one_after_the_other(clock: _Clock) -> None:
    one = Pace(2.0, 4.0)
    _turns(one, 4)
    assert clock.now == 100.0
    _turns(one, 10)
    assert clock.now == pytest.approx(105.0, abs=1e-9)  # ten at two a second; rounding of sums alone
    clock.now += 1.0
    _turns(one, 2)
    assert clock.now == pytest.approx(106.0, abs=1e-9), "a pause gives back what it is long"
    clock.now += 1_000.0
    _turns(one, 6)
    assert clock.now == pytest.approx(1_107.0, abs=1e-9), "and no more than was there at first"


def test_who_leaves_takes_no_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    one = Pace(1.0, 1.0)

    async def _gone(_seconds: float) -> None:
        raise asyncio.CancelledError

    async def _leave() -> None:
        await one.turn()
        monkeypatch.setattr(pace, "asyncio", SimpleNamespace(sleep=_gone, CancelledError=asyncio.CancelledError))
        for _ in range(50):
            with pytest.raises(asyncio.CancelledError):
                await one.turn()

    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, _leave()).result()
    assert one._left > -1.0


def test_in_a_crowd_whoever_had_fewest_turns_comes_first(clock: _Clock) -> None:
    """Those who ask all the time wait, who comes to ask twice does not."""
    late: list[float] = []
    crowd = Crowd(Pace(4.0, 1.0), 4.0, late.append)
    turns: list[str] = []

    async def _asks(name: str, share: Share, number: int) -> None:
        for _ in range(number):
            await share.turn()
            turns.append(name)

    async def _all() -> None:
        noisy = [asyncio.ensure_future(_asks("noisy", crowd.share(), 20)) for _ in range(30)]
        for _ in range(300):
            await asyncio.sleep(0)
        assert 60 < len(turns) < 500, "else nobody has to wait"
        before = len(turns)
        await _asks("newcomer", crowd.share(), 2)
        assert turns[before:].count("noisy") <= 2
        leaves = asyncio.ensure_future(crowd.turn(0))
        await asyncio.sleep(0)
        leaves.cancel()
        await asyncio.gather(*noisy)

    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, _all()).result()
    assert turns.count("noisy") == 600 and max(late) == 7.75 and min(late) > LATE_S
    assert clock.now - 100.0 == pytest.approx((602 - 1) / 4.0, abs=0.6), "who left took none, but perhaps one"


@pytest.mark.parametrize("turns_before", [0, 30, 1_000])
def test_in_a_crowd_who_is_there_for_long_is_heard_as_often_as_who_came_later(clock: _Clock, turns_before: int) -> None:
    """Ten pages that look every 3 s whether a run has ended, and a turn less than they ask for: counted since each was
    opened, a page of this morning waited for hours."""
    heard: Counter[str] = Counter()

    async def _looks(name: str, share: Share) -> None:
        while clock.now < 10_000.0:
            asked_at = clock.now
            await share.turn()
            heard[name] += 1
            while clock.now < asked_at + 3.0 and clock.now < 10_000.0:
                await asyncio.sleep(0)

    async def _all() -> None:
        crowd = Crowd(Pace(3.0, 30.0), 3.0, lambda _: None)
        old = crowd.share()
        for _ in range(turns_before):
            await old.turn()
        clock.now, pages = 9_000.0, [("old", old), *((f"page {n}", crowd.share()) for n in range(10))]
        looking = [asyncio.ensure_future(_looks(*page)) for page in pages]
        while not all(one.done() for one in looking):
            before = clock.now
            for _ in range(40):
                await asyncio.sleep(0)
            clock.now += 0.1 * (clock.now == before)  # nobody waits for a turn: all of them for the time

    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, _all()).result()
    assert sum(heard.values()) == pytest.approx(3_000, abs=60) and len(heard) == 11
    assert max(heard.values()) - min(heard.values()) <= AHEAD + 2


def test_in_a_crowd_looks_come_behind_what_a_hand_asks_for_and_fairly(clock: _Clock) -> None:
    """Thirty pages that look every 3 s ask for ten turns a second of three; now and then a button is pressed on one."""
    heard: Counter[str] = Counter()
    waited: list[float] = []
    late: list[float] = []

    async def _looks(name: str, share: Share) -> None:
        while clock.now < 1_000.0:
            asked_at = clock.now
            await share.turn(True)
            heard[name] += 1
            while clock.now < asked_at + 3.0 and clock.now < 1_000.0:
                await asyncio.sleep(0)

    async def _presses(share: Share) -> None:
        while clock.now < 1_000.0:
            asked_at = clock.now
            await share.turn()
            waited.append(clock.now - asked_at)
            while clock.now < asked_at + 7.0 and clock.now < 1_000.0:
                await asyncio.sleep(0)

    async def _all() -> None:
        crowd = Crowd(Pace(3.0, 30.0), 3.0, late.append)
        shares = [crowd.share() for _ in range(30)]
        busy = [asyncio.ensure_future(_looks(str(number), share)) for number, share in enumerate(shares)]
        busy.append(asyncio.ensure_future(_presses(shares[0])))
        while not all(one.done() for one in busy):
            before = clock.now
            for _ in range(40):
                await asyncio.sleep(0)
            clock.now += 0.1 * (clock.now == before)

    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, _all()).result()
    assert len(waited) > 100 and max(waited) < 1.0, "a turn or two"
    assert sum(heard.values()) > 2_400 and len(heard) == 30 and not late, "nobody waits for looks"
    others = [number for name, number in heard.items() if name != "0"]
    assert max(others) - min(others) <= AHEAD + 2 and heard["0"] > 0


def test_so_many_at_a_time_the_first_who_came_first_and_nobody_for_ever() -> None:
    async def _work() -> list[str]:
        places, had = Places(2, 0.2), []

        async def _one(name: str) -> None:
            await places.take(name)
            had.append(name)

        await _one("a"), await _one("b"), await _one("a")  # who holds one does not wait for another
        waiting = [asyncio.ensure_future(_one(name)) for name in ("c", "d", "e")]
        await asyncio.sleep(0.05)
        assert had == ["a", "b", "a"]
        waiting[0].cancel()  # who leaves has none
        await asyncio.sleep(0)
        places.give_back("b"), places.give_back("nobody")
        late = asyncio.ensure_future(_one("late"))  # in the same moment: behind those who wait
        await asyncio.sleep(0.05)
        assert had == ["a", "b", "a", "d"]
        await asyncio.wait_for(waiting[2], 5.0)  # by time alone: "a" says nothing more
        await asyncio.wait_for(late, 5.0)
        return had

    with ThreadPoolExecutor(1) as pool:
        assert pool.submit(asyncio.run, _work()).result() == ["a", "b", "a", "d", "e", "late"]


def test_who_is_called_and_leaves_lets_the_next_one_have_the_place() -> None:
    async def _work() -> None:
        places = Places(1, 60.0)
        await places.take("a")
        first, second = (asyncio.ensure_future(places.take(name)) for name in ("b", "c"))
        await asyncio.sleep(0)
        places.give_back("a")
        first.cancel()
        await asyncio.wait_for(second, 5.0)

    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, _work()).result()


def test_whose_time_is_over_has_the_place_anew_behind_those_who_wait(clock: _Clock) -> None:
    async def _work() -> None:
        places = Places(1, 30.0)
        await places.take("a")
        waiting = asyncio.ensure_future(places.take("b"))
        await asyncio.sleep(0)
        clock.now += 31.0
        again = asyncio.ensure_future(places.take("a"))
        await asyncio.wait_for(waiting, 5.0)
        assert places.holds("b") and not places.holds("a") and not again.done()
        places.give_back("b")
        await asyncio.wait_for(again, 5.0)

    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, _work()).result()
