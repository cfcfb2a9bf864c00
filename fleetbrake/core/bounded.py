"""A call that must not last for ever."""

import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


def within(seconds: float, work: Callable[[], T]) -> T:
    """What ``work`` returns or raises; ``TimeoutError`` if it does neither in time, and is left alone then."""
    result: list[T] = []
    failed: list[BaseException] = []

    def run() -> None:
        try:
            result.append(work())
        except BaseException as error:
            failed.append(error)

    thread = threading.Thread(target=run, daemon=True, name="bounded")
    thread.start()
    thread.join(seconds)
    if failed:
        raise failed[0]
    if not result:
        raise TimeoutError(f"no answer for {seconds:g} s")
    return result[0]
