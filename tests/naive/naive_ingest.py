"""The plain way through a whole recording: pandas and SciPy, a loop over the events, the same two tables at the end.

What an engineer would write first: ``groupby("event_id")``, NumPy and SciPy within an event, lists where a walk from
sample to sample is asked for. It is the accuracy twin of ``features()`` and the slow side of the throughput table. It
takes cut recordings as they should be: what validation mends or rejects is not its business, nor are readings that are
only an upper bound (a mapping says where a channel saturates) and the floor that a file gives for its sensors.
"""

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.core.vocabulary import BRAKE_SOURCES, WHEELS
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS
from tests.naive.whole import cycling, facts, phasing, rows, sensing, speed, tyres, vehicle

#: Columns of the lake that the twin leaves out, and why: none.
NOT_COMPUTED: dict[str, str] = {}


class Event:
    """One event's samples and, step by step, what was found out about it."""

    def __init__(self, part, path, speed_source, vehicle_id):
        first = part.iloc[0]
        stamps = part["timestamp"].astype("datetime64[us, UTC]")
        self.t = (stamps - stamps.iloc[0]).dt.total_seconds().mul(1e6).round().to_numpy() / 1e6
        self.event_id, self.started_at = first["event_id"], stamps.iloc[0]
        self.vehicle_id = first["vehicle_id"] if "vehicle_id" in part else vehicle_id
        self.driver_id = _first_word(part, "driver_id")
        self.row_start, self.row_stop = int(part.index[0]), int(part.index[-1]) + 1
        self.channels = part
        self.path, self.speed_source, self.mended = path, speed_source, ""
        self.wheels = [w for w in WHEELS if {_speed(w), _pressure(w)} & set(part.columns)]
        self.wheel_speed, self.wheel_pressure = (
            np.array([self.channel(name(w)) for w in self.wheels]).reshape(len(self.wheels), len(part))
            for name in (_speed, _pressure)
        )
        self.wheel_floor = 0.0
        self.brake_source = self.road_unpaved = None
        if "brake_source" in part:
            code = {word: k for k, word in enumerate(BRAKE_SOURCES)}
            self.brake_source = part["brake_source"].map(code).fillna(-1).to_numpy(int)
        if "road_surface" in part:
            self.road_unpaved = part["road_surface"].map({"paved": 0.0, "unpaved": 1.0}).to_numpy(float)

    def channel(self, name):
        """Samples of a channel; NaN where it was not recorded."""
        if name not in self.channels:
            return np.full(len(self.channels), np.nan)
        return self.channels[name].to_numpy(dtype=float, na_value=np.nan)

    @property
    def pressure(self):
        """Service pressure, or the greatest of the wheels'; None without either."""
        if "brake_pressure_kpa" in self.channels:
            return self.channel("brake_pressure_kpa")
        return np.fmax.reduce(self.wheel_pressure, axis=0) if self.wheel_pressures_recorded else None


def _speed(wheel):
    return f"wheel_speed_{wheel.lower()}_mps"


def _pressure(wheel):
    return f"brake_pressure_{wheel.lower()}_kpa"


def _first_word(part, name):
    words = part[name].dropna() if name in part else []
    return words.iloc[0] if len(words) else None


def read(path):
    """The recording as a frame, the word of the file on its speed, and the vehicle that its folder names."""
    table = pq.read_table(path, partitioning=None)
    said = (table.schema.metadata or {}).get(b"speed_source")
    folders = [part.split("=", 1)[1] for part in path.parts if part.startswith("vehicle_id=")]
    return table.to_pandas(), said.decode() if said else None, folders[-1] if folders else None


def plain_features(path, criteria=DEFAULT, most_events=None):
    """Rows of events and of wheels of one recording file, as two frames."""
    frame, said, vehicle_id = read(path)
    parts = [part for _, part in frame.groupby("event_id", sort=False)][:most_events]
    events = [Event(part, str(path), said, vehicle_id) for part in parts]
    pressures = any((~np.isnan(e.wheel_pressure)).any() for e in events)
    for e in events:
        e.wheel_pressures_recorded = pressures
    judge(events, criteria)
    wheels = [row for e in events for row in rows.wheel_rows(e)]
    told = pd.DataFrame(wheels) if wheels else pd.DataFrame(columns=list(LAKE_EVENT_WHEELS))
    return pd.DataFrame([rows.event_row(e) for e in events]), told


def judge(events, criteria):
    """All steps, vehicle by vehicle where its events speak for each other."""
    vehicles = {}
    for e in events:
        speed.prepare(e, criteria)
        vehicles.setdefault(e.vehicle_id, []).append(e)
    for group in vehicles.values():
        vehicle.learn(group)
        for e in group:
            speed.derive(e, criteria)
            phasing.phases(e, criteria)
            sensing.silent(e)
        in_time = sorted(group, key=lambda e: e.started_at)
        for e, later in zip(in_time, [*in_time[1:], None], strict=True):
            e.silent_next = later.silent if later else np.zeros(len(e.wheels), bool)
            sensing.read(e, criteria)
        sensing.floors(group, criteria)
    for e in events:
        sensing.wheel_facts(e, criteria)
        cycling.cycles(e, criteria)
        sensing.struggling(e, criteria)
        tyres.road(e, criteria)
        facts.facts(e, criteria)
        sensing.between(e, criteria)
        e.braked = e.not_braking is None
