"""How fast something may be asked for: some at once, then one after the other."""

import asyncio
import time


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

    async def turn(self) -> None:
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
