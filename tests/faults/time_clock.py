"""The machine's clock, set to any moment for everything of the product that reads it in this process."""

import datetime as real
import pkgutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib import import_module
from typing import Any
from unittest.mock import patch

import fleetbrake


class _Like(type):
    """Every moment is one of the class that stands in for ``datetime``."""

    def __instancecheck__(cls, value: object) -> bool:
        return isinstance(value, real.datetime)


@cache
def _load_all() -> None:
    """Modules that are loaded when they are first needed would keep the true clock."""
    for found in pkgutil.walk_packages(fleetbrake.__path__, "fleetbrake."):
        if not found.name.endswith("__main__") and ".cluster" not in found.name:
            import_module(found.name)


@contextmanager
def clock(moment: real.datetime) -> Iterator[None]:
    """``datetime.now`` of every module of the product says this moment while the block runs; it stands still."""
    _load_all()

    class Set(real.datetime, metaclass=_Like):
        def __new__(cls, *words: Any, **named: Any) -> real.datetime:  # type: ignore[misc]
            return real.datetime(*words, **named)

        @classmethod
        def now(cls, tz: real.tzinfo | None = None) -> real.datetime:  # type: ignore[override]
            return moment.astimezone(tz) if tz else moment.replace(tzinfo=None)

        fromisoformat = staticmethod(real.datetime.fromisoformat)  # type: ignore[assignment]
        fromtimestamp = staticmethod(real.datetime.fromtimestamp)  # type: ignore[assignment]
        strptime = staticmethod(real.datetime.strptime)  # type: ignore[assignment]
        combine = staticmethod(real.datetime.combine)  # type: ignore[assignment]

    modules = [
        module
        for name, module in list(sys.modules.items())
        if name.startswith("fleetbrake.") and getattr(module, "datetime", None) is real.datetime
    ]
    patches = [patch.object(module, "datetime", Set) for module in modules]
    for one in patches:
        one.start()
    try:
        yield
    finally:
        for one in patches:
            one.stop()
