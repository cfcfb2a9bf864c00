"""Writes ``fleetbrake/features/kernels.txt``: which kernels reading calls from Python, with which types of arguments.

To be run after a kernel that is called from Python was added, renamed or given other arguments::

    python tests/house/kernel_list.py
"""

from pathlib import Path
from typing import Any

import numba

from fleetbrake.features.build import features
from fleetbrake.features.compiled import LIST
from fleetbrake.kinematics.kernel import KERNELS
from fleetbrake.recordings.mapping import load_mapping
from fleetbrake.recordings.reader import open_recording

SAMPLES = Path(__file__).parents[2] / "data_samples"


def read_samples() -> None:
    """Judge all sample recordings: made and measured ones, with many channels and with few."""
    for file in sorted(SAMPLES.glob("recordings/*.parquet")):
        _judge(file, None)
    for file in sorted(SAMPLES.glob("measured/*.parquet")):
        _judge(file, load_mapping(str(SAMPLES / "mappings" / f"{file.stem}.toml")))


def _judge(file: Path, mapping: Any) -> None:
    for batch in open_recording(file, mapping).batches():
        if batch.samples:
            features(batch)


def called() -> list[str]:
    """Lines of the list: what was called from Python in this process, which must have found all compiled before."""
    assert not compiled(), "kernels were compiled, so that callees cannot be told from what is called; run it again"
    return sorted(
        f"{made.py_func.__module__} {made.py_func.__name__} ({', '.join(map(_text, types))},)"
        for made in KERNELS
        for types in made.signatures
    )


def compiled() -> list[str]:
    """Kernels that this process had to compile."""
    return [made.py_func.__name__ for made in KERNELS if sum(made.stats.cache_misses.values())]


def _text(kind: Any) -> str:
    """A type as Numba reads it in a signature."""
    if isinstance(kind, numba.types.Array):
        if kind.layout == "C" and kind.mutable and kind.aligned:
            return f"{_text(kind.dtype)}[{':,' * (kind.ndim - 1)}::1]"
        return f"Array({_text(kind.dtype)}, {kind.ndim}, '{kind.layout}', readonly={not kind.mutable})"
    if isinstance(kind, numba.types.UniTuple):
        return f"UniTuple({_text(kind.dtype)}, {kind.count})"
    return "boolean" if isinstance(kind, numba.types.Boolean) else str(kind)


if __name__ == "__main__":
    read_samples()
    LIST.write_text("".join(f"{line}\n" for line in called()), encoding="utf-8")
