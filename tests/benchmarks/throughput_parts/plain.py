"""The plain loop and the product over the same whole recordings, reading included, one thread each, in one process.

Prints samples, processor seconds of the plain way and of the product as JSON. Compiling is not counted: the product
sees the first file once before.
"""

import json
import sys
import time
from pathlib import Path

import pyarrow.parquet as pq

from fleetbrake.features.build import features
from fleetbrake.recordings.reader import open_recording
from tests.naive.naive_ingest import plain_features


def product(path: Path) -> int:
    """Events of one file, the product's way."""
    return sum(features(batch).events.num_rows for batch in open_recording(path).batches() if batch.samples)


def main() -> None:
    """Alternate between the two, file by file."""
    most = int(sys.argv[2])
    samples, events, plain_s, product_s = 0, 0, 0.0, 0.0
    files = sorted(Path(sys.argv[1]).rglob("*.parquet"))
    product(files[0])
    plain_features(files[0], most_events=2)
    for path in files[:: max(1, len(files) // 8)]:  # different vehicles, not copies of one
        if events >= most:
            break
        start = time.process_time()
        found = product(path)
        middle = time.process_time()
        rows = len(plain_features(path)[0])
        end = time.process_time()
        if rows != found:
            raise RuntimeError(f"{path}: {rows} events the plain way, {found} by the product")
        product_s, plain_s, events = product_s + middle - start, plain_s + end - middle, events + rows
        samples += pq.read_metadata(path).num_rows
    print(json.dumps({"samples": samples, "events": events, "plain_s": plain_s, "product_s": product_s}))


if __name__ == "__main__":
    main()
