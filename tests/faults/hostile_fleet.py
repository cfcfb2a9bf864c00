"""A fleet whose every name is hostile: brought in through the product's own doors, scored and planned.

Each text is a vehicle, and with a word behind it a driver, a trip, an event; a depot, a note, a report, the name of a
file, a folder, a column. Reports of drivers put every vehicle on the list, so that all are shown wherever any is.
"""

import csv
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pyarrow as pa
import pyarrow.parquet as pq
from product_run import START_US, Stop, recording

from fleetbrake import pipeline
from fleetbrake.pipeline import IngestSummary

MONTH = "2026-01"
#: Texts that are depots too: each is a program of its own for the planner.
DEPOTS = 12
_BEGIN = datetime.fromtimestamp(START_US / 1e6, UTC)


@dataclass(frozen=True)
class Fleet:
    """The folder with ``recordings``, ``registers`` and ``store``; the texts it is made of; what ingest said."""

    folder: Path
    texts: tuple[str, ...]
    summary: IngestSummary

    @property
    def store(self) -> Path:
        return self.folder / "store"

    @property
    def vehicles(self) -> tuple[str, ...]:
        return tuple(map(kept_as, self.texts))

    @property
    def drivers(self) -> tuple[str, ...]:
        return tuple(kept_as(driver_of(text)) for text in self.texts)


def driver_of(text: str) -> str:
    """The driver of a vehicle: begins like it, and is no vehicle's name."""
    return f"{text} drv"


def kept_as(text: str) -> str:
    """What a door makes of an id: without blanks around it."""
    return text.strip()


def make_fleet(folder: Path, texts: Sequence[str], *, notes: Sequence[str] = ()) -> Fleet:
    """Write, read in, score and plan; ``notes`` are further texts for notes and reports."""
    write_recordings(folder / "recordings", texts)
    write_registers(folder / "registers", texts, notes)
    summary = pipeline.ingest([folder / "recordings"], folder / "store", registers=folder / "registers")
    pipeline.score(folder / "store")
    pipeline.plan(folder / "store")
    return Fleet(folder, tuple(texts), summary)


def write_recordings(folder: Path, texts: Sequence[str]) -> None:
    """A file a text, each with two stops; names and columns carry the text as far as a file system lets them."""
    for number, text in enumerate(texts):
        place = folder / file_name(text, number)
        in_path = number % 4 == 0 and text.strip() != ""
        if in_path:
            place = folder / f"vehicle_id={quote(text, safe='')[:200]}" / f"{number}.parquet"
            in_path = len(quote(text, safe="")) <= 200
        place.parent.mkdir(parents=True, exist_ok=True)
        pq.write_table(_table(text, number, in_path), place)


def file_name(text: str, number: int) -> str:
    """The text as a name in a folder: without what no name can hold."""
    name = re.sub("[/\0]", "_", text).encode("utf-8", "surrogateescape")[:180].decode("utf-8", "ignore")
    return f"{name}{number}.parquet"


def _table(text: str, number: int, in_path: bool) -> pa.Table:
    stops = [
        recording(Stop(16.0, 4.5), f"{text} e{k}", vehicle_id=text, number=3 * number + k, rate_hz=25.0)
        for k in range(2)
    ]
    table = pa.concat_tables(stops)
    if in_path:
        table = table.drop_columns(["vehicle_id"])
    for name in ("driver_id", text if text.strip() and text not in table.column_names else "other"):
        table = table.append_column(name, pa.array([driver_of(text)] * table.num_rows))
    words = table.append_column("brake_source", pa.array([text] * table.num_rows))
    return words.replace_schema_metadata({"speed_source": text, text or "x": text})


def write_registers(folder: Path, texts: Sequence[str], notes: Sequence[str] = ()) -> None:
    """Registers in which every text column holds the texts."""
    folder.mkdir(parents=True, exist_ok=True)
    day, depots = _BEGIN.date(), texts[:: max(1, len(texts) // DEPOTS)]
    said = [*notes, *texts]
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in _TABLES}
    for number, text in enumerate(texts):
        depot, note = depots[number % len(depots)], said[number % len(said)]
        at = _BEGIN + timedelta(minutes=30 * number)
        rows["vehicles"].append(
            {"vehicle_id": text, "category": "M3", "axles": 2, "actuation": "air", "depot": depot, "max_mass_kg": 18000}
            | {"inspection_due_on": day + timedelta(days=number % 40)}
        )
        rows["drivers"].append({"driver_id": driver_of(text), "depot": depot})
        rows["trips"].append(
            {"trip_id": f"{text} trip", "vehicle_id": text, "driver_id": driver_of(text), "distance_km": 90.0}
            | {"started_at": at - timedelta(minutes=5), "ended_at": at + timedelta(minutes=25)}
        )
        rows["inspections"].append(
            {"inspection_id": text, "vehicle_id": text, "inspected_on": day - timedelta(days=9), "finding": "other"}
            | {"severity": 2, "wheel": "1L", "note": note}
        )
        rows["repairs"].append({"vehicle_id": text, "repaired_on": day, "work": "tyre", "wheel": "", "note": note})
        rows["defect_reports"].append(
            {"vehicle_id": text, "reported_at": at, "text": note, "severity": 1 + number % 3, "cleared_at": ""}
        )
        rows["due_dates"].append(
            {"vehicle_id": text, "kind": note[:150], "due_on": day + timedelta(days=2 + number % 9), "bay_hours": 1}
        )
    rows["capacity"] = [{"depot": depot, "weekday": "Mon", "bay_hours": 8} for depot in depots]
    for name, listed in rows.items():
        write_register(folder / f"{name}.csv", listed)


_TABLES = ("vehicles", "drivers", "trips", "inspections", "repairs", "defect_reports", "due_dates")


def write_register(file: Path, rows: Iterable[dict[str, Any]]) -> None:
    """A register as a spreadsheet program saves it, every text in quotation marks."""
    listed = list(rows)
    with file.open("w", encoding="utf-8", newline="") as target:
        columns = dict.fromkeys(name for row in listed for name in row)
        lines = csv.DictWriter(target, list(columns), quoting=csv.QUOTE_ALL)
        lines.writeheader()
        lines.writerows(listed)
