"""pyarrow alone: decode every column of every file below a folder on two threads, as ``python -m`` of its own.

    python -m tests.benchmarks.throughput_parts.decode FOLDER plain|quick

``plain`` reads each file whole, texts as they are. ``quick`` is how one would do it who knows the library and reads a
file as the product does: texts that repeat as dictionaries, and so many rows at a time as stay near the processor.
"""

import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

#: Rows at a time, as the product reads them.
ROWS = 65_536


def plain(path: Path) -> int:
    """Decode one file and let it go."""
    return int(pq.ParquetFile(path).read(use_threads=False).num_rows)


def quick(path: Path) -> int:
    """The same in portions, texts as dictionaries."""
    with pq.ParquetFile(path) as file:
        metadata, schema = file.metadata, file.schema_arrow
    words = [field.name for field in schema if pa.types.is_string(field.type) or pa.types.is_large_string(field.type)]
    with pq.ParquetFile(path, metadata=metadata, read_dictionary=words) as file:
        return sum(batch.num_rows for batch in file.iter_batches(ROWS, use_threads=False))


WAYS: dict[str, Callable[[Path], int]] = {"plain": plain, "quick": quick}


def main() -> None:
    """Print the number of rows that were decoded."""
    pa.set_cpu_count(2)
    files = sorted(Path(sys.argv[1]).rglob("*.parquet"))
    with ThreadPoolExecutor(2) as pool:
        print(sum(pool.map(WAYS[sys.argv[2]], files)))


if __name__ == "__main__":
    main()
