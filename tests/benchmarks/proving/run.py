"""Generate, read and score a proving fleet, or score one again."""

import shutil
import tempfile
from collections.abc import Callable
from datetime import date
from pathlib import Path

from benchmarks.proving.figures import Scored, read

from fleetbrake import pipeline
from fleetbrake.simulation.proving.fleet import fleet_truth, write_fleet
from fleetbrake.simulation.proving.setting import Size

Progress = Callable[[str, int, int], None]


def make(folder: Path, seed: int, size: Size, progress: Progress | None = None) -> None:
    """Recordings, registers, truth and an ingested store below ``folder``; what stands there is replaced."""
    for name in ("recordings", "registers", "store"):
        shutil.rmtree(folder / name, ignore_errors=True)
    folder.mkdir(parents=True, exist_ok=True)
    write_fleet(folder, seed, size, progress=progress)
    take_in(folder, progress)


def take_in(folder: Path, progress: Progress | None = None) -> None:
    """Read the recordings of a made fleet into its store."""
    summary = pipeline.ingest(
        [folder / "recordings"], folder / "store", registers=folder / "registers", progress=progress
    )
    if summary.some_rejected:
        raise RuntimeError(f"the fleet's recordings were not all taken in: {summary.problems[:3]}")


def scored(folder: Path) -> Scored:
    """Score the fleet of ``folder`` on its last day and read what was published."""
    truth = fleet_truth(folder)
    pipeline.score(folder / "store", date.fromisoformat(truth["as_of"]))
    return read(folder / "store", truth)


def fresh(seed: int, size: Size, progress: Progress | None = None) -> Scored:
    """A fleet made, read and scored in a folder that is gone afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        make(Path(folder), seed, size, progress)
        return scored(Path(folder))
