"""pyarrow alone: decode every column of every file below a folder on two threads, as ``python -m`` of its own."""

import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq


def rows_of(path: Path) -> int:
    """Decode one file and let it go."""
    return int(pq.ParquetFile(path).read(use_threads=False).num_rows)


def main() -> None:
    """Print the number of rows that were decoded."""
    pa.set_cpu_count(2)
    files = sorted(Path(sys.argv[1]).rglob("*.parquet"))
    with ThreadPoolExecutor(2) as pool:
        print(sum(pool.map(rows_of, files)))


if __name__ == "__main__":
    main()
