"""What the product says: recordings through ``ingest`` into a temporary store, published tables read back.

The reference speed is no published column, so it comes from the same steps that made the rows.
"""

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from benchmarks.truth.cases import Case, register_row, write_recording

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.features.signals import derive
from fleetbrake.pipeline import ingest
from fleetbrake.recordings.reader import open_recording
from fleetbrake.simulation.loggers import Rows
from fleetbrake.store.database import reading


@dataclass(frozen=True)
class Said:
    """Of one case at one rate: published rows in the order of its events, and the reference speed of every row.

    ``events`` one row an event; ``wheels`` by wheel name, one row an event each; ``speed``, ``speed_se``,
    ``supported`` per recorded row.
    """

    rows: Rows
    events: pd.DataFrame
    wheels: dict[str, pd.DataFrame]
    speed: np.ndarray
    speed_se: np.ndarray
    supported: np.ndarray


def judged(cases: list[Case], rates: list[float]) -> tuple[dict[str, Said], dict[str, float]]:
    """Everything said of the cases, by vehicle; and the least rate of each subject in ``observability``.

    Rates are NaN where the table names none.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        drop, registers, store = folder / "recordings", folder / "registers", folder / "store"
        drop.mkdir()
        registers.mkdir()
        rows = {case.vehicle_id(rate): write_recording(case, rate, drop) for case in cases for rate in rates}
        known = [register_row(case, rate) for case in cases for rate in rates]
        pd.DataFrame(known).to_csv(registers / "vehicles.csv", index=False)
        ingest([drop], store, registers=registers)
        with reading(store) as con:
            events = con.execute("SELECT * FROM events ORDER BY event_id").df()
            wheels = con.execute("SELECT * FROM event_wheels ORDER BY event_id, wheel").df()
            least = con.execute("SELECT subject, least_rate_hz FROM observability").df()
        events_of, wheels_of = dict(list(events.groupby("vehicle_id"))), dict(list(wheels.groupby("vehicle_id")))
        found = {}
        for case in cases:
            for rate in rates:
                vehicle = case.vehicle_id(rate)
                ids = [f"{vehicle}-{e:03d}" for e in range(len(case.sim.applications))]
                own = (events_of.get(vehicle, events[:0]), wheels_of.get(vehicle, wheels[:0]))
                found[vehicle] = _said(ids, rows[vehicle], *own, drop / f"{vehicle}.parquet")
    return found, dict(zip(least["subject"], least["least_rate_hz"].astype(float), strict=True))


def _said(ids: list[str], rows: Rows, events: pd.DataFrame, wheels: pd.DataFrame, file: Path) -> Said:
    by_wheel = {str(w): group.set_index("event_id").reindex(ids) for w, group in wheels.groupby("wheel")}
    size = rows.index.size
    speed, se, supported = np.full(size, np.nan), np.full(size, np.nan), np.zeros(size, dtype=bool)
    for batch in open_recording(file, None, logged_as=file.name).batches():
        signals = derive(batch, DEFAULT, cut=True)
        se_of = getattr(signals, "speed_se", np.full(batch.samples, np.nan))
        for k in range(batch.events):
            into = np.arange(batch.row_start[k], batch.row_stop[k])
            part = slice(int(batch.offsets[k]), int(batch.offsets[k + 1]))
            if into.size != part.stop - part.start:  # a row was dropped
                continue
            speed[into], se[into], supported[into] = signals.speed[part], se_of[part], signals.supported[part]
    return Said(rows, events.set_index("event_id").reindex(ids), by_wheel, speed, se, supported)
