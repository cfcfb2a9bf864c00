"""The fuzzer for recordings, for as many minutes as there are."""

from pathlib import Path
from tempfile import TemporaryDirectory

from faults.fuzz_recordings import fuzz
from faults.parquet_bounds import Bounded
from faults.tally import Tally


def LONG(seed: int, minutes: float) -> list[Tally]:
    """Rounds of seeds from a thousand times the given one on."""
    with TemporaryDirectory() as folder, Bounded(Path(folder)) as reading:
        return [fuzz(reading, 1000 * seed, minutes=minutes)]
