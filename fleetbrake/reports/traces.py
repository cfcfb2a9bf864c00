"""The raw samples of one event, read back from its recording for the traces on the event page."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.reports import reads

#: Below this vehicle speed slip is not drawn: both speeds are as small as their own noise (m/s).
LEAST_SLIP_SPEED_MPS = 1.5

_SPAN_COLUMNS = ("wheel", "start_s", "stop_s", "kind")
_DEMAND = {
    "brake_pedal_pct": ("pedal position", "%"),
    "brake_pressure_kpa": ("brake pressure", "kPa"),
    "brake_switch": ("stop lamp", "on/off"),
}


@dataclass(frozen=True)
class Traces:
    """Samples of one event in long form, ready to draw. ``time_s`` counts from the event's first sample.

    Attributes
    ----------
    vehicle : time_s, speed_mps
    wheels : time_s, wheel, speed_mps
    slip : time_s, wheel, slip (0 rolling, 1 locked; NaN where the vehicle is too slow to tell)
    demand : time_s, signal, value, unit
    decel : time_s, decel_mps2 (sensor, forward negative turned round; grade not removed)
    spans : wheel, start_s, stop_s, kind (``lockup`` or ``modulation``)
    problem : why there are no samples, in a sentence; empty if there are some.
    """

    event_id: str
    vehicle: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "speed_mps"]))
    wheels: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "wheel", "speed_mps"]))
    slip: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "wheel", "slip"]))
    demand: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "signal", "value", "unit"]))
    decel: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "decel_mps2"]))
    spans: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(_SPAN_COLUMNS)))
    problem: str = ""


def event_traces(store: Path, event_id: str) -> Traces | None:
    """Samples of one event from its recording; None if there is no such event.

    A recording that is gone, changed or damaged gives :class:`Traces` with ``problem`` set and the spans that the
    tables still know; it never raises for the recording's sake.
    """
    row = reads.event(store, event_id)
    if row is None:
        return None
    spans = spans_from_tables(row, reads.event_wheels(store, event_id))
    try:
        samples = load_samples(_locate(store, row), int(row["row_start"]), int(row["row_stop"]))
        _hold_against(samples, row)
        return _assemble(event_id, samples, spans)
    except _Unreadable as error:
        return Traces(event_id, spans=spans, problem=str(error))


class _Unreadable(Exception):
    """Why the samples cannot be shown, in a sentence."""


def _locate(store: Path, row: dict[str, Any]) -> Path:
    """The recording file: as logged, else under the store's folder."""
    logged = row.get("source_path")
    if not logged or row.get("row_start") is None or row.get("row_stop") is None:
        raise _Unreadable("The tables do not say from which rows of which recording this event came.")
    for path in (Path(str(logged)), Path(store) / str(logged)):
        try:
            if path.is_file():
                return path
        except (OSError, ValueError):
            continue
    raise _Unreadable("The recording of this event is no longer where it was read from, so its traces cannot be drawn.")


def load_samples(path: Path, row_start: int, row_stop: int) -> pd.DataFrame:
    """Rows ``[row_start, row_stop)`` of a recording with the contract's column names, reading only their row groups.

    The single place that knows how a recording is opened.
    """
    try:
        with pq.ParquetFile(path, memory_map=True) as file:
            counts = [file.metadata.row_group(i).num_rows for i in range(file.num_row_groups)]
            ends = np.cumsum(counts)
            if not 0 <= row_start < row_stop or not len(ends) or row_stop > ends[-1]:
                raise _Unreadable(
                    "The recording has changed since it was read: it has fewer rows than this event needs."
                )
            first = int(np.searchsorted(ends, row_start, side="right"))
            last = int(np.searchsorted(ends, row_stop - 1, side="right"))
            before = int(ends[first] - counts[first])
            table = file.read_row_groups(list(range(first, last + 1)))
    except (OSError, pa.ArrowException) as error:
        raise _Unreadable("The recording of this event cannot be read any more.") from error
    return table.slice(row_start - before, row_stop - row_start).to_pandas()


def _hold_against(samples: pd.DataFrame, row: dict[str, Any]) -> None:
    """Raise if the rows are not those of the event: another id, or another time of the first sample."""
    changed = _Unreadable(
        "The recording has changed since it was read: these rows are not this event's. Ingest it again."
    )
    if "timestamp" not in samples:
        raise changed
    if "event_id" in samples and not (samples["event_id"].astype(str) == str(row["event_id"])).all():
        raise changed
    first = pd.Timestamp(samples["timestamp"].iloc[0])
    first = first.tz_localize("UTC") if first.tzinfo is None else first
    started = row.get("started_at")
    if started is not None and abs((first - started).total_seconds()) > 1e-3:
        raise changed


def _assemble(event_id: str, samples: pd.DataFrame, spans: pd.DataFrame) -> Traces:
    stamps = pd.to_datetime(samples["timestamp"], utc=True)
    time = (stamps - stamps.iloc[0]).dt.total_seconds().to_numpy()
    turning = {w: _numbers(samples, f"wheel_speed_{w.lower()}_mps") for w in WHEELS}
    wheels = {w: speeds for w, speeds in turning.items() if speeds is not None}
    speed = _numbers(samples, "speed_mps")
    longitudinal = _numbers(samples, "accel_long_mps2")
    return Traces(
        event_id,
        vehicle=pd.DataFrame({"time_s": time, "speed_mps": speed if speed is not None else np.nan}),
        wheels=_long(time, wheels, "wheel", "speed_mps"),
        slip=_long(time, slips(wheels, speed), "wheel", "slip"),
        demand=_demand(time, samples),
        decel=pd.DataFrame({"time_s": time, "decel_mps2": -longitudinal if longitudinal is not None else np.nan}),
        spans=spans,
    )


def _numbers(samples: pd.DataFrame, column: str) -> np.ndarray | None:
    """The column as float64, or None if it was not recorded at all."""
    if column not in samples:
        return None
    try:
        values = samples[column].astype("float64").to_numpy()
    except (TypeError, ValueError) as error:
        raise _Unreadable(
            f"The recording has changed since it was read: its column {column} holds no numbers."
        ) from error
    return None if np.isnan(values).all() else values


def slips(wheels: dict[str, np.ndarray], speed: np.ndarray | None) -> dict[str, np.ndarray]:
    """Brake slip of each wheel, ``1 - wheel speed / vehicle speed``, clipped to 0..1; NaN under 1.5 m/s."""
    if speed is None:
        return {}
    moving = np.where(speed > LEAST_SLIP_SPEED_MPS, speed, np.nan)
    return {wheel: np.clip(1.0 - turning / moving, 0.0, 1.0) for wheel, turning in wheels.items()}


def _long(time: np.ndarray, series: dict[str, np.ndarray], key: str, value: str) -> pd.DataFrame:
    if not series:
        return pd.DataFrame(
            {"time_s": pd.Series(dtype=float), key: pd.Series(dtype=str), value: pd.Series(dtype=float)}
        )
    return pd.DataFrame(
        {
            "time_s": np.tile(time, len(series)),
            key: np.repeat(np.array(list(series), dtype=object), len(time)),
            value: np.concatenate(list(series.values())),
        }
    )


def _demand(time: np.ndarray, samples: pd.DataFrame) -> pd.DataFrame:
    """Pedal, pressure and stop lamp, as far as recorded; wheel pressures where there is no common one."""
    parts = []
    for column, (signal, unit) in _DEMAND.items():
        values = _numbers(samples, column)
        if values is not None:
            parts.append(pd.DataFrame({"time_s": time, "signal": signal, "value": values, "unit": unit}))
    for wheel in WHEELS:
        values = _numbers(samples, f"brake_pressure_{wheel.lower()}_kpa")
        if values is not None:
            parts.append(pd.DataFrame({"time_s": time, "signal": f"pressure {wheel}", "value": values, "unit": "kPa"}))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["time_s", "signal", "value", "unit"])


def spans_from_tables(row: dict[str, Any], wheels: pd.DataFrame) -> pd.DataFrame:
    """Marked spans as far as the tables know them: wheel, start_s, stop_s, kind.

    A lockup begins at its onset and lasts as long as its longest single lockup; modulation is known for the brake
    application as a whole.
    """
    locked = wheels[wheels["lockup_onset_s"].notna()] if not wheels.empty else wheels
    length = locked["lockup_longest_s"].fillna(locked["lockup_s"]) if not locked.empty else locked.get("lockup_s")
    parts = [
        pd.DataFrame(
            {
                "wheel": locked["wheel"],
                "start_s": locked["lockup_onset_s"],
                "stop_s": locked["lockup_onset_s"] + length,
                "kind": "lockup",
            }
        )
    ]
    cycling = wheels[(wheels["modulation_cycles"] >= 2).fillna(False).astype(bool)]
    if not cycling.empty and row.get("onset_s") is not None and row.get("end_s") is not None:
        parts.append(
            pd.DataFrame(
                {"wheel": cycling["wheel"], "start_s": row["onset_s"], "stop_s": row["end_s"], "kind": "modulation"}
            )
        )
    return pd.concat(parts, ignore_index=True)[list(_SPAN_COLUMNS)]
