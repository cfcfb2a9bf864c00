"""What of many cases a plain run takes: a few of them. ``pytest -m long`` takes the others, or the full number."""

from collections.abc import Callable, Iterable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

_UNHURRIED = [HealthCheck.too_slow, HealthCheck.function_scoped_fixture]


def a_few(cases: Iterable[Any], *kept: int) -> list[Any]:
    """Cases of a parametrized test: those at the places ``kept`` in every run, all others with ``-m long``.

    A tuple is the arguments of one case, anything else its only one.
    """
    told = [case if isinstance(case, tuple) else (case,) for case in cases]
    if not set(kept) <= set(range(len(told))):
        raise ValueError(f"{kept} of {len(told)} cases")
    return [pytest.param(*case, marks=() if place in kept else (pytest.mark.long,)) for place, case in enumerate(told)]


def searched(few: int, many: int, *strategies: Any, **named: Any) -> Callable[[Callable[..., None]], Any]:
    """A property, searched with ``few`` examples in every run and with ``many`` with ``-m long``."""

    def decorate(check: Callable[..., None]) -> Callable[..., None]:
        @pytest.mark.parametrize("examples", [few, pytest.param(many, marks=pytest.mark.long)])
        def test(examples: int) -> None:
            limits = settings(max_examples=examples, deadline=None, suppress_health_check=_UNHURRIED)
            limits(given(*strategies, **named)(check))()

        test.__name__, test.__doc__, test.__module__ = check.__name__, check.__doc__, check.__module__
        return test

    return decorate
