"""Feature rows as Arrow tables, units in the names, NaN as NULL."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from fleetbrake.core.vocabulary import BRAKE_SOURCES, DEMAND_KINDS, SURFACES
from fleetbrake.features.event_facts import EventFacts
from fleetbrake.features.phases import Phases
from fleetbrake.features.signals import Signals
from fleetbrake.features.wheels import WheelFacts
from fleetbrake.kinematics import slip
from fleetbrake.recordings.batch import EventBatch

Array = npt.NDArray[Any]


def event_table(
    batch: EventBatch,
    signals: Signals,
    phases: Phases,
    wheels: WheelFacts,
    facts: EventFacts,
    *,
    continuous: bool,
) -> pa.Table:
    """One row an event."""
    braked = facts.braked
    modulation = _modulation(wheels, braked)
    columns: dict[str, pa.Array] = {
        "event_id": _text(batch.event_id),
        "vehicle_id": _text(batch.vehicle_id),
        "driver_id": _text(batch.driver_id),
        "started_at": pa.array(batch.start_us, pa.int64()).cast(pa.timestamp("us", "UTC")),
        "samples": pa.array(np.diff(batch.offsets)),
        "sample_rate_hz": _floats(signals.row_hz),
        "wheel_rate_hz": _floats(signals.wheel_hz),
        "speed_rate_hz": _floats(signals.speed_hz),
        "demand_rate_hz": _floats(facts.demand_hz),
        "brake_source": _brake_source(batch, phases),
        "initial_speed_mps": _floats(facts.initial_speed),
        "final_speed_mps": _floats(facts.final_speed),
        "braking_s": _floats(facts.braking_s),
        "braking_distance_m": _floats(facts.distance),
        "peak_decel_mps2": _floats(facts.peak_decel, braked),
        "mean_decel_mps2": _floats(facts.mean_decel),
        "mfdd_mps2": _floats(facts.mfdd, braked),
        "brake_energy_kj": _floats(facts.energy_kj, braked),
        **modulation,
        **_lockup(wheels, braked),
        "friction_used": _floats(facts.friction_used, braked),
        "surface": pa.array(np.array(SURFACES, dtype=object)[facts.surface], pa.string(), mask=~braked),
        "wheels_observed": pa.array(wheels.sensed.sum(axis=0).astype(np.int64)),
        "wheels_modulated": _names(batch.wheels, wheels.modulated == 1, braked),
        "wheels_locked": _names(batch.wheels, wheels.lockups.verdict == 1, braked),
        "speed_source": _speed_source(batch, signals),
        "demand_kind": _code(signals.demand.kind, DEMAND_KINDS),
        "demand_peak": _floats(facts.demand_peak),
        "onset_s": _floats(_times(batch, phases.start)),
        "end_s": _floats(_times(batch, np.where(phases.start >= 0, phases.stop - 1, -1))),
        "build_up_s": _floats(facts.build_up, braked),
        "effectiveness": _floats(facts.effectiveness, braked),
        "effectiveness_change": _floats(facts.effectiveness_change, braked),
        "peak_decel_at_least_mps2": _floats(facts.peak_at_least, braked),
        "lockup_speed_mps": _floats(_greatest(wheels.lockups.held_speed_mps), braked),
        "friction_used_up": _three(facts.used_up, braked),
        "air_temp_c": _floats(facts.temperature_c),
        "grade": _floats(facts.grade),
        "gross_mass_kg": _floats(facts.mass_kg),
        "latitude_deg": _floats(_onset_value(batch, phases, "latitude_deg")),
        "longitude_deg": _floats(_onset_value(batch, phases, "longitude_deg")),
        "abs_flag": _raised(batch, phases, "abs_active"),
        "abs_warning_lamp": _raised(batch, phases, "abs_warning_lamp"),
        "longest_gap_s": _floats(facts.longest_gap),
        "not_braking": _text(facts.not_braking),
        "notes": _notes(batch, phases, facts),
        "source_path": pa.repeat(pa.scalar(batch.path, pa.string()), batch.events),
        "row_start": pa.array(batch.row_start),
        "row_stop": pa.array(batch.row_stop),
        "continuous": pa.array(np.full(batch.events, continuous)),
    }
    return pa.table(columns)


def wheel_table(batch: EventBatch, phases: Phases, wheels: WheelFacts, facts: EventFacts) -> pa.Table:
    """One row an event and wheel, wheels of an event together in the order of their names."""
    count = len(batch.wheels)
    braked = facts.braked
    ok = np.repeat(braked, count)
    locks = wheels.lockups

    def flat(values: Array) -> Array:
        return np.ascontiguousarray(values.T).ravel()

    decided = flat(locks.verdict) >= 0
    seen_cycles = flat(wheels.modulated) >= 0
    no_lock = np.where(flat(locks.verdict) == 0, 0.0, np.nan)

    def lock(values: Array) -> pa.Array:
        return _floats(np.where(flat(locks.verdict) == 1, flat(values), no_lock), ok)

    return pa.table(
        {
            "event_id": _text(np.repeat(batch.event_id, count)),
            "wheel": pa.array(np.tile(np.array(batch.wheels, dtype=object), batch.events), pa.string()),
            "peak_slip": _floats(flat(wheels.peak_slip), ok),
            "lockup_s": lock(locks.total_s),
            "lockup_onset_s": _floats(flat(locks.onset_s), ok),
            "lockup_onset_speed_mps": _floats(flat(locks.onset_speed_mps), ok),
            "slide_m": lock(locks.slide_m),
            "modulation_cycles": pa.array(flat(wheels.cycles), mask=~(ok & seen_cycles)),
            "vehicle_id": _text(np.repeat(batch.vehicle_id, count)),
            "lockup": pa.array(flat(locks.verdict) == 1, mask=~(ok & decided)),
            "lockup_longest_s": lock(locks.longest_s),
            "lockup_speed_mps": _floats(flat(locks.held_speed_mps), ok),
            "peak_slip_is_bound": pa.array(flat(wheels.peak_slip_is_bound), mask=~ok),
            "sensed": pa.array(flat(wheels.sensed)),
            "free_slip": _floats(flat(wheels.free_slip)),
            "steady_slip": _floats(flat(wheels.steady_slip), ok),
            "released_slip": _floats(flat(wheels.released_slip), ok),
            "dropout_s": _floats(flat(wheels.dropout_s)),
            "peak_pressure_kpa": _floats(flat(wheels.peak_pressure_kpa)),
            "modulation_seen_hz": _floats(flat(wheels.seen_hz), ok & seen_cycles),
        }
    )


def _floats(values: Array, valid: Array | None = None) -> pa.Array:
    """Doubles with NULL for NaN, infinity and rows that are not valid."""
    bad = ~np.isfinite(values)
    return pa.array(values, pa.float64(), mask=bad if valid is None else bad | ~valid)


def _text(values: Array) -> pa.Array:
    return pa.array(values, pa.string(), from_pandas=True)


def _notes(batch: EventBatch, phases: Phases, facts: EventFacts) -> pa.Array:
    """What validation mended, rows that are missing while braking, and speeds that no tyre allows."""
    mended = batch.notes if len(batch.notes) else np.full(batch.events, "", dtype=object)
    seconds = np.char.mod("rows are missing for %.1f s while braking", np.nan_to_num(phases.longest_gap)).astype(object)
    gap = np.where(phases.gapped, seconds, "")
    between = np.where((mended != "") & (gap != ""), "; ", "")
    text = mended + between + gap
    unit = "the speed falls faster than tyres allow: is its unit right?"
    text = np.where(facts.beyond, np.where(text == "", unit, text + "; " + unit), text)
    return pa.array(text, pa.string(), mask=text == "")


def _code(codes: Array, words: tuple[str, ...]) -> pa.Array:
    return pa.array(np.array(words, dtype=object)[np.maximum(codes, 0)], pa.string(), mask=codes < 0)


def _three(codes: Array, valid: Array) -> pa.Array:
    """1, 0 and -1 as true, false and NULL."""
    return pa.array(codes == 1, mask=(codes < 0) | ~valid)


def _greatest(values: Array) -> Array:
    """Greatest of the wheels ``(E,)``; NaN where no wheel has a value."""
    return np.fmax.reduce(values, axis=0) if values.shape[0] else np.full(values.shape[1], np.nan)


def _verdict(wheel: Array, sensed: Array) -> Array:
    """Word on the event from its wheels: 1 if any did, 0 if all sensed ones did not, else -1."""
    any_true = (wheel == 1).any(axis=0)
    open_question = ((wheel < 0) & sensed).any(axis=0) | ~sensed.any(axis=0)
    return np.where(any_true, 1, np.where(open_question, -1, 0))


def _modulation(wheels: WheelFacts, braked: Array) -> dict[str, pa.Array]:
    # a wheel pressure may speak for a wheel whose speed is not sensed
    spoken = wheels.sensed | (wheels.modulated >= 0)
    verdict = _verdict(wheels.modulated, spoken)
    if not len(wheels.cycles):
        none = np.zeros(verdict.size)
        return {
            "modulation": _three(verdict, braked),
            "modulation_cycles": pa.array(none.astype(np.int64), mask=np.ones(verdict.size, np.bool_)),
            "modulation_seen_hz": _floats(none * np.nan),
        }
    # the wheel with most cycles; between equals the one whose frequency is known
    most = np.argmax(wheels.cycles + 0.5 * np.isfinite(wheels.seen_hz), axis=0)
    across = np.arange(most.size)
    cycles = wheels.cycles[most, across]
    return {
        "modulation": _three(verdict, braked),
        "modulation_cycles": pa.array(cycles, mask=~(braked & (verdict >= 0))),
        "modulation_seen_hz": _floats(np.where(verdict == 1, wheels.seen_hz[most, across], np.nan), braked),
    }


def _lockup(wheels: WheelFacts, braked: Array) -> dict[str, pa.Array]:
    verdict = _verdict(wheels.lockups.verdict, wheels.sensed)
    longest = _greatest(wheels.lockups.longest_s)
    return {
        "lockup": _three(verdict, braked),
        "lockup_s": _floats(np.where(verdict == 1, longest, np.where(verdict == 0, 0.0, np.nan)), braked),
    }


def _names(wheels: tuple[str, ...], marked: Array, valid: Array) -> pa.Array:
    """Names of the marked wheels with + between; NULL where none is."""
    text = np.full(marked.shape[1], "", dtype=object)
    for name, row in zip(wheels, marked, strict=True):  # at most twelve wheels, whole columns each
        text = np.where(row, text + np.where(text == "", "", "+") + name, text)
    return pa.array(text, pa.string(), mask=(text == "") | ~valid)


def _speed_source(batch: EventBatch, signals: Signals) -> pa.Array:
    return pa.array(
        np.where(signals.from_channel, batch.speed_source or "unknown", "wheels").astype(object), pa.string()
    )


def _times(batch: EventBatch, position: Array) -> Array:
    return np.where(position >= 0, batch.time_s[np.maximum(position, 0)] if batch.samples else np.nan, np.nan)


def _onset_value(batch: EventBatch, phases: Phases, name: str) -> Array:
    values = batch.channel(name)
    return np.where(phases.start >= 0, values[np.maximum(phases.start, 0)] if values.size else np.nan, np.nan)


def _raised(batch: EventBatch, phases: Phases, name: str) -> pa.Array:
    """Whether a flag was up while braking; NULL where it was not recorded."""
    begin = np.maximum(phases.start, 0)
    most = slip.peak(batch.channel(name)[None, :], begin, np.where(phases.start >= 0, phases.stop, 0))[0]
    return pa.array(most >= 0.5, mask=np.isnan(most))


def _brake_source(batch: EventBatch, phases: Phases) -> pa.Array:
    """Who asked first: the first word recorded in the braking phase, else in the event."""
    if batch.brake_source is None or not batch.samples:
        return pa.nulls(batch.events, pa.string())
    code = batch.brake_source
    first = np.where(phases.start >= 0, code[np.maximum(phases.start, 0)], -1)
    anywhere = np.maximum.reduceat(code, batch.offsets[:-1]) if batch.events else code[:0]
    return _code(np.where(first >= 0, first, anywhere), BRAKE_SOURCES)
