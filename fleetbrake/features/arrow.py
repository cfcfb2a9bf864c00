"""Feature rows as Arrow tables, units in the names, NaN as NULL."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from fleetbrake.core.missing import or_zero
from fleetbrake.core.vocabulary import (
    BRAKE_SOURCES,
    DEMAND_KINDS,
    FLAG_AND_WHEELS,
    MODULATION_PATTERNS,
    SURFACES,
)
from fleetbrake.features import cycle_words
from fleetbrake.features.between import Between
from fleetbrake.features.event_facts import EventFacts
from fleetbrake.features.phases import Phases
from fleetbrake.features.recorded import greatest
from fleetbrake.features.signals import Signals
from fleetbrake.features.wheels import WheelFacts
from fleetbrake.features.work import Work
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
    open_mps = _open_speed(wheels, facts)
    modulation = _modulation(wheels, braked)
    told = cycle_words.flag_and_wheels(batch, phases, wheels)
    columns: dict[str, pa.Array] = {
        "event_id": _text(batch.event_id),
        "vehicle_id": _text(batch.vehicle_id),
        "driver_id": _text(batch.driver_id),
        "started_at": pa.array(batch.start_us, pa.int64()).cast(pa.timestamp("us", "UTC")),
        "samples": pa.array(np.diff(batch.offsets)),
        "sample_rate_hz": _floats(signals.row_hz),
        "wheel_rate_hz": _floats(signals.wheel_hz),
        "speed_rate_hz": _floats(signals.speed_hz),
        "demand_rate_hz": _floats(facts.answer.demand_hz),
        "brake_source": _brake_source(batch, phases),
        "initial_speed_mps": _floats(facts.initial_speed),
        "final_speed_mps": _floats(facts.final_speed),
        "braking_s": _floats(facts.braking_s),
        "braking_distance_m": _floats(facts.distance),
        "braking_distance_se_m": _floats(facts.distance_se),
        "peak_decel_mps2": _floats(facts.peak_decel, braked),
        "mean_decel_mps2": _floats(facts.mean_decel),
        "mfdd_mps2": _floats(facts.mfdd, braked),
        "brake_energy_kj": _floats(facts.energy_kj, braked),
        **modulation,
        **_lockup(wheels, braked),
        "friction_used": _floats(facts.friction_used, braked),
        "surface": pa.array(np.array(SURFACES, dtype=object)[facts.road.surface], pa.string(), mask=~braked),
        "wheels_observed": pa.array(wheels.sensed.sum(axis=0).astype(np.int64)),
        "wheels_modulated": _names(batch.wheels, wheels.modulated == 1, braked),
        "modulation_wheels": _code(np.where(braked, cycle_words.pattern(batch, wheels), -1), MODULATION_PATTERNS),
        "flag_and_wheels": _code(np.where(braked, told, -1), FLAG_AND_WHEELS),
        "wheels_locked": _names(batch.wheels, wheels.lockups.verdict == 1, braked),
        "speed_source": _speed_source(batch, signals),
        "speed_delay_s": _floats(signals.delay_s, signals.from_channel),
        "speed_error_mps": _floats(slip.peak(signals.speed_se[None, :], phases.start, phases.stop)[0], braked),
        "accelerometer_used": pa.array(signals.has_accel),
        "accelerometer_gain": _floats(signals.gain, signals.has_accel),
        "accelerometer_gain_se": _floats(signals.gain_se, signals.has_accel),
        "demand_kind": _code(signals.demand.kind, DEMAND_KINDS),
        "demand_peak": _floats(facts.demand_peak),
        "onset_s": _floats(_times(batch, phases.start) - phases.lead),
        "end_s": _floats(_times(batch, np.where(phases.start >= 0, phases.stop - 1, -1))),
        "demand_rise_s": _floats(facts.answer.demand_rise, braked),
        "held_decel_mps2": _floats(facts.pull.decel_mps2, braked),
        "accel_tilt_mps2": _floats(facts.pull.tilt_mps2, braked),
        "brake_yaw_radps": _floats(facts.pull.yaw_radps, braked),
        "brake_steer_rad": _floats(facts.pull.steer_rad, braked),
        "build_up_s": _floats(facts.answer.build_up, braked),
        "peak_jerk_mps3": _floats(facts.manner.peak_jerk, braked & ~facts.beyond),
        "last_second_share": _floats(facts.manner.last_second, braked & ~facts.beyond),
        "release_s": _floats(facts.answer.release, braked),
        "effectiveness": _floats(facts.answer.effectiveness, braked),
        "effectiveness_change": _floats(facts.answer.effectiveness_change, braked),
        **_work(facts.work, braked),
        "peak_decel_at_least_mps2": _floats(facts.peak_at_least, braked),
        "lockup_speed_mps": _floats(_greatest(wheels.lockups.held_speed_mps), braked),
        "lockup_open_mps": _floats(_greatest(np.where(wheels.sensed, open_mps, np.nan)), braked),
        "near_lockups": _near_lockups(wheels, braked),
        "lift_axle_up": _raised(batch, phases, "lift_axle_up"),
        "friction_used_up": _three(facts.road.used_up, braked),
        "surface_probability": _floats(facts.road.probability, braked),
        "friction_peak": _floats(facts.road.peak, braked),
        "friction_sliding": _floats(facts.road.sliding, braked),
        "lockup_extra_m": _floats(facts.road.lockup_extra, braked),
        "lockup_extra_se_m": _floats(facts.road.lockup_extra_se, braked),
        "air_temp_c": _floats(facts.temperature_c),
        "grade": _floats(facts.grade),
        "gross_mass_kg": _floats(facts.mass_kg),
        "latitude_deg": _floats(_onset_value(batch, phases, "latitude_deg")),
        "longitude_deg": _floats(_onset_value(batch, phases, "longitude_deg")),
        "abs_flag": _raised(batch, phases, "abs_active"),
        "abs_warning_lamp": _raised(batch, phases, "abs_warning_lamp"),
        "longest_gap_s": _floats(facts.longest_gap),
        "not_braking": _text(facts.not_braking),
        "notes": _notes(batch, phases, wheels, facts, told),
        "source_path": pa.repeat(pa.scalar(batch.path, pa.string()), batch.events),
        "row_start": pa.array(batch.row_start),
        "row_stop": pa.array(batch.row_stop),
        "continuous": pa.array(np.full(batch.events, continuous)),
    }
    return pa.table(columns)


def wheel_table(
    batch: EventBatch, signals: Signals, phases: Phases, wheels: WheelFacts, facts: EventFacts, rolling: Between
) -> pa.Table:
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
            "locked_above_15_kmh_s": lock(wheels.locked_above[0]),
            "locked_above_10_mph_s": lock(wheels.locked_above[1]),
            "locked_above_20_mph_s": lock(wheels.locked_above[2]),
            "lockup_speed_mps": _floats(flat(locks.held_speed_mps), ok),
            "peak_slip_is_bound": pa.array(flat(wheels.peak_slip_is_bound), mask=~ok),
            "sensed": pa.array(flat(wheels.sensed)),
            # as the wheel shows it: with what its radius makes of it
            "free_slip": _floats(flat(1.0 - (1.0 - wheels.free_slip) / signals.radius)),
            "radius_factor": _floats(flat(signals.radius)),
            "steady_slip": _floats(flat(wheels.steady_slip), ok),
            "released_slip": _floats(flat(wheels.released_slip), ok),
            "dropout_s": _floats(flat(wheels.dropout_s)),
            "dropout_between_s": _floats(flat(rolling.dropout_s)),
            "watched_between_s": _floats(flat(rolling.watched_s)),
            "near_lockups": pa.array(flat(wheels.near.count), mask=~(ok & (flat(wheels.near.count) >= 0))),
            "near_lockup_slip": _floats(flat(wheels.near.deepest_slip), ok),
            "peak_wheel_fall_mps2": _floats(flat(wheels.near.fall_mps2), ok),
            "lockup_open_mps": _floats(flat(_open_speed(wheels, facts)), ok),
            "sensor_floor_mps": _floats(np.where(flat(wheels.floor) > 0.0, flat(wheels.floor), np.nan)),
            "peak_pressure_kpa": _floats(flat(wheels.peak_pressure_kpa)),
            "modulation_seen_hz": _floats(flat(wheels.seen_hz), ok & seen_cycles),
            "modulation_rate_hz": _floats(flat(wheels.cycles_rate_hz), ok & (flat(wheels.modulated) == 1)),
            "once_a_turn": pa.array(flat(wheels.once_a_turn), mask=~(ok & flat(wheels.sensed))),
        }
    )


def _floats(values: Array, valid: Array | None = None) -> pa.Array:
    """Doubles with NULL for NaN, infinity and rows that are not valid."""
    known = np.isfinite(values)
    if valid is not None:
        known &= valid
    bits = pa.py_buffer(np.packbits(known, bitorder="little"))
    return pa.Array.from_buffers(pa.float64(), len(values), [bits, pa.py_buffer(np.ascontiguousarray(values, float))])


def _text(values: Array) -> pa.Array:
    return pa.array(values, pa.string(), from_pandas=True)


def _notes(batch: EventBatch, phases: Phases, wheels: WheelFacts, facts: EventFacts, told: Array) -> pa.Array:
    """What validation mended, rows that are missing while braking, speeds that no tyre allows, the anti-lock flag."""
    text = batch.notes if len(batch.notes) else np.full(batch.events, "", dtype=object)
    if phases.gapped.any():
        gap = np.char.mod("rows are missing for %.1f s while braking", or_zero(phases.longest_gap)).astype(object)
        text = _added(text, phases.gapped, gap)
    text = _added(text, facts.beyond, "the speed falls faster than tyres allow: is its unit right?")
    for said, sentence in cycle_words.remarks(batch, phases, wheels, told):  # three of them, whole columns each
        text = _added(text, said & facts.braked, sentence)
    return pa.array(text, pa.string(), mask=text == "")


def _added(text: Array, said: Array, sentence: Array | str) -> Array:
    """The notes ``(E,)`` with a sentence more where it is ``said`` ``(E,)``."""
    if not said.any():
        return text
    return np.where(said, text + np.where(text == "", "", "; ") + sentence, text)


def _code(codes: Array, words: tuple[str, ...]) -> pa.Array:
    return pa.array(np.array(words, dtype=object)[np.maximum(codes, 0)], pa.string(), mask=codes < 0)


def _three(codes: Array, valid: Array) -> pa.Array:
    """1, 0 and -1 as true, false and NULL."""
    return pa.array(codes == 1, mask=(codes < 0) | ~valid)


def _open_speed(wheels: WheelFacts, facts: EventFacts) -> Array:
    """Greatest speed at which a lockup could not be decided ``(W, E)``: the event's where nothing could be."""
    found = wheels.lockups.open_speed_mps
    return np.where(np.isinf(found), facts.initial_speed[None, :], found)


def _near_lockups(wheels: WheelFacts, braked: Array) -> pa.Array:
    """Near misses of all sensed wheels; NULL where none was seen and not every wheel could show one."""
    count = np.where(wheels.sensed, wheels.near.count, 0)
    total = np.maximum(count, 0).sum(axis=0)
    silent = ((count < 0).any(axis=0) & (total == 0)) | ~wheels.sensed.any(axis=0)
    return pa.array(total, pa.int64(), mask=silent | ~braked)


def _greatest(values: Array) -> Array:
    """Greatest of the wheels ``(E,)``; NaN where no wheel has a value."""
    return np.fmax.reduce(values, axis=0) if values.shape[0] else np.full(values.shape[1], np.nan)


def _modulation(wheels: WheelFacts, braked: Array) -> dict[str, pa.Array]:
    verdict = cycle_words.event_verdict(wheels.modulated, cycle_words.looked_at(wheels))
    if not len(wheels.cycles):
        none = np.zeros(verdict.size)
        return {
            "modulation": _three(verdict, braked),
            "modulation_cycles": pa.array(none.astype(np.int64), mask=np.ones(verdict.size, np.bool_)),
            "modulation_seen_hz": _floats(none * np.nan),
            "modulation_rate_hz": _floats(none * np.nan),
        }
    # the wheel with most cycles; between equals the one whose frequency is known
    most = np.argmax(wheels.cycles + 0.5 * np.isfinite(wheels.seen_hz), axis=0)
    across = np.arange(most.size)
    cycles = wheels.cycles[most, across]
    return {
        "modulation": _three(verdict, braked),
        "modulation_cycles": pa.array(cycles, mask=~(braked & (verdict >= 0))),
        "modulation_seen_hz": _floats(np.where(verdict == 1, wheels.seen_hz[most, across], np.nan), braked),
        "modulation_rate_hz": _floats(np.where(verdict == 1, wheels.cycles_rate_hz[most, across], np.nan), braked),
    }


def _lockup(wheels: WheelFacts, braked: Array) -> dict[str, pa.Array]:
    verdict = cycle_words.event_verdict(wheels.lockups.verdict, wheels.sensed)
    longest = _greatest(wheels.lockups.longest_s)
    return {
        "lockup": _three(verdict, braked),
        "lockup_s": _floats(np.where(verdict == 1, longest, np.where(verdict == 0, 0.0, np.nan)), braked),
    }


def _work(work: Work, braked: Array) -> dict[str, pa.Array]:
    return {
        "regen_kj": _floats(work.regen_kj, braked),
        "retarder_s": _floats(work.retarder_s, braked),
        "air_path_m3ps2": _floats(work.air_path, braked),
        "retarder_path_m": _floats(work.retarder_path, braked),
        "coast_mps2": _floats(work.coast_mps2),
        "coast_speed_mps": _floats(work.coast_speed),
        "retarded_mps2": _floats(work.retarded_mps2),
        "retarded_speed_mps": _floats(work.retarded_speed),
        "retarded_share": _floats(work.retarded_share),
    }


def _names(wheels: tuple[str, ...], marked: Array, valid: Array) -> pa.Array:
    """Names of the marked wheels with + between; NULL where none is."""
    text = np.full(marked.shape[1], "", dtype=object)
    for name, row in zip(wheels, marked, strict=True):  # at most twelve wheels, whole columns each
        if row.any():
            text = np.where(row, text + np.where(text == "", "", "+") + name, text)
    return pa.array(text, pa.string(), mask=(text == "") | ~valid)


def _speed_source(batch: EventBatch, signals: Signals) -> pa.Array:
    return pa.array(
        np.where(signals.from_channel, batch.speed_source or "unknown", "wheels").astype(object), pa.string()
    )


def _times(batch: EventBatch, position: Array) -> Array:
    return np.where(position >= 0, batch.time_s[np.maximum(position, 0)] if batch.samples else np.nan, np.nan)


def _onset_value(batch: EventBatch, phases: Phases, name: str) -> Array:
    if not batch.has(name):
        return np.full(batch.events, np.nan)
    values = batch.channel(name)
    return np.where(phases.start >= 0, values[np.maximum(phases.start, 0)] if values.size else np.nan, np.nan)


def _raised(batch: EventBatch, phases: Phases, name: str) -> pa.Array:
    """Whether a flag was up while braking; NULL where it was not recorded."""
    begin = np.maximum(phases.start, 0)
    most = greatest(batch, name, begin, np.where(phases.start >= 0, phases.stop, 0))
    return pa.array(most >= 0.5, mask=np.isnan(most))


def _brake_source(batch: EventBatch, phases: Phases) -> pa.Array:
    """Who asked first: the first word recorded in the braking phase, else in the event."""
    if batch.brake_source is None or not batch.samples:
        return pa.nulls(batch.events, pa.string())
    code = batch.brake_source
    first = np.where(phases.start >= 0, code[np.maximum(phases.start, 0)], -1)
    anywhere = np.maximum.reduceat(code, batch.offsets[:-1]) if batch.events else code[:0]
    return _code(np.where(first >= 0, first, anywhere), BRAKE_SOURCES)
