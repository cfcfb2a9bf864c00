"""How fast something may be asked for: some at once, then one after the other."""

import asyncio
import time
from collections import deque
from collections.abc import Callable
from heapq import heapify, heappop, heappush
from itertools import count
from typing import Final, Protocol

#: That some wait longer than this (s) is told. Own choice.
LATE_S: Final = 5.0
#: So many turns of a crowd whoever was silent has before those who ask all the time. Own choice: a page is opened and
#: drawn by them.
AHEAD: Final = 2
#: Of more that wait in a crowd, those that were given up are taken out. Own choice: more than wait in earnest.
_MOST_LEFT: Final = 1_000


class Turns(Protocol):
    """What is waited for before somebody is heard."""

    async def turn(self, look: bool = False) -> None:
        """Wait for the next turn, if it is not there at once; ``look``: for a page that looks by itself, with nobody
        who waits for it."""


class Pace:
    """Turns that come ``rate`` a second, after ``burst`` of them that need not be waited for.

    Whoever comes has the next turn: nobody is passed by, and nothing is dropped.

    Parameters
    ----------
    rate : turns a second (1/s).
    burst : turns that are there at once after a pause.
    """

    def __init__(self, rate: float, burst: float) -> None:
        self._rate = rate
        self._burst = burst
        self._left = burst
        self._at = time.monotonic()

    async def turn(self, look: bool = False) -> None:
        """Wait for the next turn, if it is not there at once."""
        now = time.monotonic()
        self._left = min(self._burst, self._left + (now - self._at) * self._rate) - 1.0
        self._at = now
        if self._left >= 0.0:
            return
        try:
            await asyncio.sleep(-self._left / self._rate)
        except asyncio.CancelledError:
            self._left += 1.0  # who left takes no turn of those behind
            raise


class Places:
    """So many at a time: who comes when all places are held waits until one is given back.

    A place is held for one thing of somebody's. Whoever holds one for this has it without waiting, for as long again.
    None is held for ever: who says nothing more of it is taken to be done.

    Parameters
    ----------
    number : of places.
    longest_s : for so long (s) one is held at most.
    """

    def __init__(self, number: int, longest_s: float) -> None:
        self._number = number
        self._longest_s = longest_s
        self._held: dict[tuple[object, str], float] = {}
        self._waiting: deque[tuple[tuple[object, str], asyncio.Future[None]]] = deque()

    async def take(self, who: object, what: str = "") -> None:
        """Wait for a place, the first who came first."""
        self._let_go_of_the_old()  # hands out what is free: who waits is not passed by below
        if (who, what) in self._held or len(self._held) < self._number:
            self._held[who, what] = time.monotonic()
            return
        mine = (who, what), asyncio.get_running_loop().create_future()
        self._waiting.append(mine)
        try:
            while not mine[1].done():
                await asyncio.wait([mine[1]], timeout=self._until_the_next())
                self._let_go_of_the_old()
        except asyncio.CancelledError:
            if mine[1].done():  # who was given one and leaves lets the next one have it
                self.give_back(who, what)
            else:
                self._waiting.remove(mine)
            raise

    def holds(self, who: object, what: str = "") -> bool:
        """Whether somebody has a place for this."""
        return (who, what) in self._held

    def give_back(self, who: object, what: str = "") -> None:
        """Let the next one have it; nothing where none is held."""
        if self._held.pop((who, what), None) is not None:
            self._hand_out()

    def give_back_all(self, who: object) -> None:
        """As :meth:`give_back` for all that somebody holds."""
        for one, what in [held for held in self._held if held[0] is who]:
            self.give_back(one, what)

    def _let_go_of_the_old(self) -> None:
        old = time.monotonic() - self._longest_s
        self._held = {held: at for held, at in self._held.items() if at > old}
        self._hand_out()

    def _hand_out(self) -> None:
        while self._waiting and len(self._held) < self._number:
            held, waits = self._waiting.popleft()
            self._held[held] = time.monotonic()
            waits.set_result(None)

    def _until_the_next(self) -> float:
        """Until the one that is held longest is over (s)."""
        return max(0.0, min(self._held.values()) + self._longest_s - time.monotonic())


class Crowd:
    """Turns that many share: of those who wait, whoever had fewest of them of late comes first, and pages that look by
    themselves come last, fairly among them.

    Counts begin, and stay, at most :data:`AHEAD` behind that of whoever was served last: start-time fair queueing
    (Goyal, Vin and Cheng 1996, from memory). Else who is there for long would wait for as long as others, who came
    later, ask all the time.

    Parameters
    ----------
    pace : at which turns come, for all of them together.
    rate : of that pace (1/s).
    late : is told how long (s) some wait who do not look by themselves, where that is long.
    """

    def __init__(self, pace: Pace, rate: float, late: Callable[[float], None]) -> None:
        self._pace = pace
        self._rate = rate
        self._late = late
        self._waiting: list[tuple[bool, int, int, asyncio.Future[None]]] = []
        self._number = count()
        self._served = 0
        self._giving: asyncio.Future[None] | None = None

    def share(self) -> "Share":
        """The part of one who has had no turn yet."""
        return Share(self)

    async def turn(self, had: int, look: bool = False) -> int:
        """Wait for a turn, as one who had so many; how many that are then, as the crowd counts them."""
        mine = asyncio.get_running_loop().create_future()
        had = max(had, self._served - AHEAD)
        if len(self._waiting) > _MOST_LEFT:  # looks that were given up come to no turn while hands take all
            self._waiting = [one for one in self._waiting if not one[-1].done()]
            heapify(self._waiting)
        heappush(self._waiting, (look, had, next(self._number), mine))
        wait_s = sum(not looks for looks, *_ in self._waiting) / self._rate
        if not look and wait_s > LATE_S:
            self._late(wait_s)
        if self._giving is None or self._giving.done():
            self._giving = asyncio.ensure_future(self._give())
        await mine
        return had + 1

    async def _give(self) -> None:
        while self._waiting:
            if self._waiting[0][-1].done():  # who left takes no turn
                heappop(self._waiting)
                continue
            await self._pace.turn()
            while self._waiting:
                _, had, _, first = heappop(self._waiting)
                if not first.done():
                    first.set_result(None)
                    self._served = max(self._served, had)
                    break


class Share:
    """Turns of a crowd, as one of them has them."""

    def __init__(self, crowd: Crowd) -> None:
        self._crowd = crowd
        self._had = 0

    async def turn(self, look: bool = False) -> None:
        """Wait for the next turn, after those who had fewer."""
        self._had = await self._crowd.turn(self._had, look)
