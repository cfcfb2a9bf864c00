"""How kernels are compiled, in one place: without the GIL, cached on disk, NaN kept (no fast-math).

What was compiled is kept beside the source where that can be written, else in the user's cache folder, or where
``NUMBA_CACHE_DIR`` says. Processes that start together may write there at once: files are put in place whole.
"""

import hashlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import cache, cached_property, wraps
from pathlib import Path
from types import FunctionType
from typing import Any, TypeVar

import numba

F = TypeVar("F", bound=Callable[..., Any])

#: Every kernel of the modules loaded so far, in the order of their definition.
KERNELS: list[Any] = []

#: No wrapper for callers in C: there are none, and it costs a twentieth of the compiling.
_OPTIONS = {"nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}


def kernel(function: F, *, inside: bool = False) -> F:
    """Compile a function over flat arrays (Numba, no Python objects); bounds are the caller's promise.

    ``inside``: its code is put into each caller's, however long it is (see :func:`inlined`).
    """
    options: dict[str, Any] = {**_OPTIONS, "forceinline": inside}
    compile_it: Any = numba.njit  # its hints leave out options that it takes
    try:
        made = compile_it(cache=True, **options)(function)
    except RuntimeError:  # no folder can be written: each process compiles for itself
        made = compile_it(cache=False, **options)(function)
    else:
        if made is function:  # NUMBA_DISABLE_JIT: kernels are interpreted, so that bounds are looked at
            return function
        _heed_callees(made)
        _keep_if_it_can_be(made)
    _once_for_all_numbers(made)
    KERNELS.append(made)
    return made  # type: ignore[no-any-return]


def inlined(function: F) -> F:
    """A kernel of plain numbers that becomes part of its caller: a loop over lanes can then do several at once."""
    return kernel(function, inside=True)


def _once_for_all_numbers(made: Any) -> None:
    """Let a kernel that calls this one with a number that is known beforehand use what is compiled for any number."""
    ask = made.get_call_template

    def get_call_template(args: Any, kws: Any) -> Any:
        return ask(tuple(map(numba.types.unliteral, args)), {k: numba.types.unliteral(v) for k, v in kws.items()})

    made.get_call_template = get_call_template


def _heed_callees(made: Any) -> None:
    """Let what was kept of a kernel be stale too when a file changes that it takes other kernels or numbers from.

    By itself only the kernel's own file is looked at, so that a caller would go on with the old code of a callee that
    stands in another file.
    """
    kept: Any = getattr(made._cache, "_cache_file", None)
    if hasattr(kept, "_source_stamp"):
        kept._source_stamp = _Stamp(kept._source_stamp, made.py_func)


def _keep_if_it_can_be(made: Any) -> None:
    """A folder that is full, or another user's, keeps nothing: the kernel is compiled, and no recording is at fault."""
    for name in ("save_overload", "load_overload"):
        setattr(made._cache, name, _none_where_it_cannot(getattr(made._cache, name)))


def _none_where_it_cannot(method: Callable[..., Any]) -> Callable[..., Any]:
    @wraps(method)
    def attempt(*args: Any) -> Any:
        with suppress(OSError):
            return method(*args)
        return None

    return attempt


class _Stamp:
    """Equal to what it was kept as if nothing changed that a kernel is made of; found out when first asked for.

    Not before: a callee may stand further down in the module.
    """

    def __init__(self, own: object, function: FunctionType) -> None:
        self._own, self._function = own, function

    def __eq__(self, other: object) -> bool:
        return self.made_of == other

    def __hash__(self) -> int:
        return hash(self.made_of)

    def __reduce__(self) -> tuple[type, tuple[object]]:
        return tuple, (self.made_of,)

    @cached_property
    def made_of(self) -> tuple[object, ...]:
        """The stamp of the kernel's own file, of the options, and of all that it takes from elsewhere."""
        return (self._own, *sorted(_OPTIONS.items()), *_taken_in(self._function, {self._function}))


def _taken_in(function: FunctionType, seen: set[FunctionType]) -> Iterator[object]:
    """Digests of the other files whose kernels a kernel calls, at any depth, and the numbers that it knows by name."""
    for name in sorted(function.__code__.co_names):
        value = function.__globals__.get(name)
        callee = getattr(value, "py_func", None)
        if callee is not None and callee not in seen:
            seen.add(callee)
            if callee.__code__.co_filename != function.__code__.co_filename:
                yield _digest(callee.__code__.co_filename)
            yield from _taken_in(callee, seen)
        elif isinstance(value, int | float | str | tuple):
            yield name, repr(value)


@cache
def _digest(file: str) -> str:
    return hashlib.sha256(Path(file).read_bytes()).hexdigest()


def is_kept(made: Any) -> bool:
    """Whether a kernel was compiled before, on this kind of processor or another, and nothing of it changed since."""
    kept = getattr(made._cache, "_cache_file", None)
    read = getattr(kept, "_load_index", None)
    return read is not None and bool(_none_where_it_cannot(read)())


def folder_of(made: Any) -> Path | None:
    """Where a kernel is kept; None where no folder can be written."""
    path = made.stats.cache_path
    return Path(path) if path else None
