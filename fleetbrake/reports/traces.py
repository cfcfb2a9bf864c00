"""The raw samples of one event, read back from its recording by row range, and how the tool judged them."""

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from fleetbrake.core.errors import FleetbrakeError, InputError
from fleetbrake.features.view import EventView, event_view
from fleetbrake.kinematics.vehicle_known import Told
from fleetbrake.recordings import remote
from fleetbrake.recordings.batch import EventBatch
from fleetbrake.recordings.reader import Recording, open_recording
from fleetbrake.recordings.sources import Source, is_there, source_of
from fleetbrake.reports import reads
from fleetbrake.store.ageing.retention import shown_bare
from fleetbrake.store.forgetting.forgetter import Forgetter
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.log import read_log
from fleetbrake.store.mappings import kept_mapping

_SPAN_COLUMNS = ("wheel", "start_s", "stop_s", "kind", "slip", "cycles", "hz")
_FRICTION_COLUMNS = ("slip", "rate", "part", "start_s", "stop_s")
_PLACE_COLUMNS = ("time_s", "latitude_deg", "longitude_deg")
_VEHICLE_COLUMNS = ("time_s", "speed_mps", "low_mps", "high_mps")
_DEMAND = {
    "brake_pedal_pct": ("pedal position", "%"),
    "brake_pressure_kpa": ("brake pressure", "kPa"),
    "brake_switch": ("stop lamp", "on/off"),
}


@dataclass(frozen=True)
class Reference:
    """What the reference speed rests on, and the estimated age of the speed channel in s (NaN if unused)."""

    speed_channel: bool
    accelerometer: bool
    wheels: bool
    delay_s: float


@dataclass(frozen=True)
class Traces:
    """Samples of one event in long form, ready to draw. ``time_s`` counts from the event's first sample.

    Attributes
    ----------
    vehicle : time_s, speed_mps (the reference speed), low_mps and high_mps (two standard errors to either side); all
        NaN where it rests on nothing that does not slip
    channel : time_s, speed_mps, fresh (whether this reading is new): the speed channel as recorded
    reference : what the reference speed rests on; None without samples
    wheels : time_s, wheel, speed_mps
    slip : time_s, wheel, slip (0 rolling, 1 locked; NaN where the vehicle is too slow to tell)
    demand : time_s, signal, value, unit
    decel : time_s, decel_mps2 (rate of change of the reference speed)
    spans : wheel, start_s, stop_s, kind (as in ``features.view.Span``), slip (deepest of a near miss), cycles, hz (of
        modulation, as the tables have them)
    friction : slip, rate (of g), part (``pair`` or ``curve``: the tyre curve of the surface, if one was named), start_s
        and stop_s of a pair
    place : time_s, latitude_deg, longitude_deg at the rows that recorded both; where a vehicle was is for those only
        who may see it
    problem : why there are no samples, in a sentence; empty if there are some.
    """

    event_id: str
    vehicle: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(_VEHICLE_COLUMNS)))
    channel: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "speed_mps", "fresh"]))
    wheels: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "wheel", "speed_mps"]))
    slip: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "wheel", "slip"]))
    demand: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "signal", "value", "unit"]))
    decel: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "decel_mps2"]))
    spans: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(_SPAN_COLUMNS)))
    friction: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(_FRICTION_COLUMNS)))
    place: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(_PLACE_COLUMNS)))
    reference: Reference | None = None
    problem: str = ""


def event_traces(store: Path, event_id: str) -> Traces | None:
    """Samples of one event from its recording; None if there is no such event.

    The reference speed, slip and spans are made again by the steps that made the event's row. A recording that is gone,
    changed or damaged gives :class:`Traces` with ``problem`` set and the spans that the tables still know; it never
    raises for the recording's sake.
    """
    row = reads.event(store, event_id)
    if row is None:
        return None
    wheels = reads.event_wheels(store, event_id)
    try:
        batch = load_event(store, row)
        view = event_view(batch, continuous=batch.event_id[0] is None, told=_told(row, wheels, batch))
        traces = _assemble(event_id, batch, view, wheels)
        return replace(traces, place=traces.place.iloc[:0]) if shown_bare(store, row) else traces
    except Unreadable as error:
        spans = spans_from_tables(row, wheels)
        return Traces(event_id, spans=spans, problem=str(error))


def _told(row: dict[str, Any], wheels: pd.DataFrame, batch: EventBatch) -> Told | None:
    """What the row says of the vehicle, learned from all events of its file; None where the row does not know."""
    factor = wheels.set_index("wheel")["radius_factor"].reindex(list(batch.wheels)).to_numpy(dtype=float)
    used = row.get("accelerometer_used")
    if used is None or np.isnan(factor).any():
        return None
    delay, gain, gain_se = (row.get(f) for f in ("speed_delay_s", "accelerometer_gain", "accelerometer_gain_se"))
    return Told(
        independent=np.array([row.get("speed_source") != "wheels"]),
        delay=np.array([np.nan if delay is None else delay], dtype=float),
        used=np.array([bool(used)]),
        gain=np.array([gain or 1.0], dtype=float),
        gain_se=np.array([gain_se or 0.0], dtype=float),
        radius=factor[:, None],
    )


class Unreadable(FleetbrakeError):
    """Why the samples cannot be shown, in a sentence."""


_GONE = "The recording of this event is no longer where it was read from, so its traces cannot be drawn."
_CHANGED = "The recording has changed since it was read: these rows are not this event's. Ingest it again."


def _locate(store: Path, row: dict[str, Any]) -> Source:
    """The recording: as logged, else under the store's folder."""
    logged = row.get("source_path")
    if not logged or row.get("row_start") is None or row.get("row_stop") is None:
        raise Unreadable("The tables do not say from which rows of which recording this event came.")
    address = source_of(str(logged))
    if not address.is_local:
        return _reached(address)
    for source in (address, source_of(Path(store) / str(logged))):
        if is_there(source):
            return source
    raise Unreadable(_GONE)


def _reached(source: Source) -> Source:
    """The object of an object store; a store that denies it or does not answer may do otherwise tomorrow."""
    try:
        source.stat()
    except InputError as error:
        if error.__cause__ is None or remote.is_missing(error.__cause__):
            raise Unreadable(_GONE) from error
        raise Unreadable(f"The recording of this event cannot be read now: {remote.cause(error.__cause__)}.") from error
    return source


def load_event(store: Path, row: dict[str, Any]) -> EventBatch:
    """The event's samples as a batch of one, read through the mapping that it was ingested with.

    Raises :class:`Unreadable` where the recording is gone, damaged, or no longer holds this event.
    """
    try:
        batch = opened(store, row).rows(int(row["row_start"]), int(row["row_stop"]))
    except (InputError, OSError) as error:
        raise Unreadable("The recording of this event cannot be read any more, or has changed.") from error
    except FleetbrakeError as error:
        raise Unreadable(str(error)) from error
    _hold_against(batch, row, Forgetter(read_tombstones(store)))
    return batch


def opened(store: Path, row: dict[str, Any]) -> Recording:
    """The event's recording with the mapping it was ingested with: the one place that knows how to open it again."""
    source = _locate(store, row)
    entry = read_log(store).get(str(row["source_path"]))
    mapping = kept_mapping(store, entry.settings) if entry is not None else None
    return open_recording(source, mapping, fingerprint=False)


def _hold_against(batch: EventBatch, row: dict[str, Any], forgetter: Forgetter) -> None:
    """Raise if the rows are not those of the event: another id, or another time of the first sample."""
    cut = batch.event_id[0] is not None
    if batch.events != 1 or (cut and row["event_id"] not in forgetter.names_of(batch.event_id[0])):
        raise Unreadable(_CHANGED)
    first = pd.Timestamp(int(batch.start_us[0]), unit="us", tz="UTC")
    if row.get("started_at") is not None and abs((first - row["started_at"]).total_seconds()) > 1e-3:
        raise Unreadable(_CHANGED)


def _assemble(event_id: str, batch: EventBatch, view: EventView, table: pd.DataFrame) -> Traces:
    time = view.time_s
    turning = {w: speed for w, speed in zip(view.wheels, view.wheel_speed_mps, strict=True) if _recorded(speed)}
    slips = {w: np.clip(s, 0.0, 1.0) for w, s in zip(view.wheels, view.slip, strict=True) if w in turning}
    return Traces(
        event_id,
        vehicle=_band(view),
        channel=_channel(view),
        reference=Reference(view.from_channel, view.has_accel, bool(turning), view.delay_s),
        wheels=_long(time, turning, "wheel", "speed_mps"),
        slip=_long(time, slips, "wheel", "slip"),
        demand=_demand(batch),
        decel=pd.DataFrame({"time_s": time, "decel_mps2": view.decel_mps2}),
        spans=_counted(pd.DataFrame([vars(span) for span in view.spans], columns=list(_SPAN_COLUMNS)), table),
        friction=_friction(view),
        place=_place(batch),
    )


def _band(view: EventView) -> pd.DataFrame:
    """The reference speed and two standard errors to either side, where something carries it; no speed is below 0."""
    known = view.supported & np.isfinite(view.speed_se_mps)
    speed = np.where(view.supported, view.speed_mps, np.nan)
    wide = np.where(known, 2.0 * view.speed_se_mps, np.nan)
    values = (view.time_s, speed, np.maximum(speed - wide, 0.0), speed + wide)
    return pd.DataFrame(dict(zip(_VEHICLE_COLUMNS, values, strict=True)))


def _channel(view: EventView) -> pd.DataFrame:
    """The recorded speed channel without the rows that miss it, and which of its readings are new."""
    seen = ~np.isnan(view.channel_mps)
    speed = view.channel_mps[seen]
    fresh = np.ones(len(speed), np.bool_)
    fresh[1:] = np.diff(speed) != 0.0
    return pd.DataFrame({"time_s": view.time_s[seen], "speed_mps": speed, "fresh": fresh})


def _counted(spans: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """Spans with the cycles and the frequency that the tables have: what the rate may hide is decided there."""
    known = table.drop_duplicates("wheel").set_index("wheel") if not table.empty else None
    cycling = spans["kind"] == "modulation"
    for column, source in (("cycles", "modulation_cycles"), ("hz", "modulation_hz")):
        found = spans["wheel"].map(known[source]) if known is not None else pd.Series(np.nan, index=spans.index)
        spans[column] = pd.to_numeric(found, errors="coerce").astype("Float64").astype(float).where(cycling)
    spans["slip"] = spans["slip"].astype(float)
    return spans


def _friction(view: EventView) -> pd.DataFrame:
    """Pairs of slip and braking rate, then the curve, in long form."""
    seen = view.friction
    if seen is None:
        return pd.DataFrame(columns=list(_FRICTION_COLUMNS))
    no_time = np.full(len(seen.curve_slip), np.nan)
    return pd.DataFrame(
        {
            "slip": np.concatenate([seen.slip, seen.curve_slip]),
            "rate": np.concatenate([seen.rate, seen.curve_rate]),
            "part": ["pair"] * len(seen.slip) + ["curve"] * len(seen.curve_slip),
            "start_s": np.concatenate([seen.start_s, no_time]),
            "stop_s": np.concatenate([seen.stop_s, no_time]),
        }
    )


def _place(batch: EventBatch) -> pd.DataFrame:
    """Recorded positions; rows that miss one of both are left out."""
    values = (batch.time_s, batch.channel("latitude_deg"), batch.channel("longitude_deg"))
    return pd.DataFrame(dict(zip(_PLACE_COLUMNS, values, strict=True))).dropna(ignore_index=True)


def _recorded(values: np.ndarray) -> bool:
    return not bool(np.isnan(values).all())


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


def _demand(batch: EventBatch) -> pd.DataFrame:
    """Pedal, pressure and stop lamp, as far as recorded; wheel pressures as well."""
    found = [(signal, batch.channels.get(column), unit) for column, (signal, unit) in _DEMAND.items()]
    found += [(f"pressure {w}", p, "kPa") for w, p in zip(batch.wheels, batch.wheel_pressure_kpa, strict=True)]
    parts = [
        pd.DataFrame({"time_s": batch.time_s, "signal": signal, "value": values, "unit": unit})
        for signal, values, unit in found
        if values is not None and _recorded(values)
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["time_s", "signal", "value", "unit"])


def spans_from_tables(row: dict[str, Any], wheels: pd.DataFrame) -> pd.DataFrame:
    """Marked spans as far as the tables know them, with the columns of ``Traces.spans``.

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
    return _counted(pd.concat(parts, ignore_index=True).reindex(columns=list(_SPAN_COLUMNS)), wheels)
