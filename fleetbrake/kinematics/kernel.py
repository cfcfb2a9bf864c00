"""How kernels are compiled, in one place: without the GIL, cached on disk, NaN kept (no fast-math)."""

from collections.abc import Callable
from typing import Any, TypeVar

import numba

F = TypeVar("F", bound=Callable[..., Any])


def kernel(function: F) -> F:
    """Compile a function over flat arrays (Numba, no Python objects); bounds are the caller's promise."""
    return numba.njit(nogil=True, cache=True, error_model="numpy")(function)  # type: ignore[return-value]
