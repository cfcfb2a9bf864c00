"""The rows of the lake of one judged event, by the names of ``store.lake_schema``; None or NaN is NULL."""

import numpy as np

from fleetbrake.core.vocabulary import BRAKE_SOURCES, DEMAND_KINDS, MODULATION_PATTERNS, SURFACES
from tests.naive import naive_cycles
from tests.naive.whole import numbers as nb


def event_row(e):
    """One row of the events' table."""
    row = _always(e)
    row |= {name: value if e.braked else None for name, value in {**_motion(e), **_wheels(e), **_road(e)}.items()}
    return row


def _always(e):
    at_onset = {f"{k}_deg": e.channel(f"{k}_deg")[e.start] if e.began else None for k in ("latitude", "longitude")}
    return {
        "event_id": e.event_id, "vehicle_id": e.vehicle_id, "driver_id": e.driver_id, "started_at": e.started_at,
        "samples": len(e.t), "sample_rate_hz": e.row_hz, "wheel_rate_hz": e.wheel_hz, "speed_rate_hz": e.speed_hz,
        "demand_rate_hz": e.demand_hz, "brake_source": _brake_source(e), "initial_speed_mps": e.initial,
        "final_speed_mps": e.final_shown, "braking_s": e.lasted, "braking_distance_m": e.braking_distance,
        "braking_distance_se_m": e.braking_distance_se, "mean_decel_mps2": e.mean_decel,
        "wheels_observed": int(e.sensed.sum()),
        "speed_source": (e.speed_source or "unknown") if e.has_channel else "wheels",
        "speed_delay_s": e.delay if e.has_channel else None, "accelerometer_used": e.has_accel,
        "accelerometer_gain": e.gain if e.has_accel else None,
        "accelerometer_gain_se": e.gain_se if e.has_accel else None,
        "demand_kind": DEMAND_KINDS[e.kind] if e.kind >= 0 else None, "demand_peak": e.demand_peak,
        "onset_s": e.t[e.start] - e.lead if e.began else None, "end_s": e.t[e.stop - 1] if e.began else None,
        "coast_mps2": e.coast_mps2, "coast_speed_mps": e.coast_speed, "retarded_mps2": e.retarded_mps2,
        "retarded_speed_mps": e.retarded_speed, "retarded_share": e.retarded_share,
        "lift_axle_up": _raised(e, "lift_axle_up"),
        "air_temp_c": e.air, "grade": e.grade, "gross_mass_kg": e.mass, **at_onset,
        "abs_flag": _raised(e, "abs_active"),
        "abs_warning_lamp": _raised(e, "abs_warning_lamp"), "longest_gap_s": e.longest_gap,
        "not_braking": e.not_braking,
        "notes": _notes(e),
        "source_path": e.path, "row_start": e.row_start, "row_stop": e.row_stop, "continuous": False,
    }  # fmt: skip


def _motion(e):
    manner = (np.nan, np.nan) if e.beyond else (e.peak_jerk, e.last_second)
    return {
        "peak_decel_mps2": e.peak_decel, "peak_decel_at_least_mps2": e.peak_at_least, "mfdd_mps2": e.mfdd,
        "brake_energy_kj": e.energy_kj, "friction_used": e.friction_used,
        "speed_error_mps": nb.peak(e.speed_se[e.part]),
        "demand_rise_s": e.demand_rise, "held_decel_mps2": e.held_decel, "accel_tilt_mps2": e.held_tilt,
        "brake_yaw_radps": e.yaw_change, "brake_steer_rad": e.steer_change, "build_up_s": e.build_up,
        "peak_jerk_mps3": manner[0], "last_second_share": manner[1], "release_s": e.release_s,
        "effectiveness": e.effectiveness, "effectiveness_change": e.effectiveness_change, "regen_kj": e.regen_kj,
        "retarder_s": e.retarder_s, "air_path_m3ps2": e.air_path, "retarder_path_m": e.retarder_path,
    }  # fmt: skip


def _wheels(e):
    sensed, seen = e.sensed, e.sensed | (e.modulated >= 0)
    word, locked = _verdict(e.modulated, seen), _verdict(e.verdict, sensed)
    names = {
        k: "+".join(n for n, m in zip(e.wheels, marks, strict=True) if m) or None for k, marks in _marks(e).items()
    }
    near = np.where(sensed, e.near, 0)
    total = int(np.maximum(near, 0).sum())
    unseen = ((near < 0).any() and total == 0) or not sensed.any()
    row = {
        **names, "modulation": _three(word), "lockup": _three(locked), "modulation_wheels": _pattern(e, seen),
        "flag_and_wheels": _flag_and_wheels(e, word), "near_lockups": None if unseen else total,
        "lockup_s": nb.peak(e.lock_longest) if locked == 1 else 0.0 if locked == 0 else None,
        "lockup_speed_mps": nb.peak(e.lock_held_speed),
        "lockup_open_mps": nb.peak(np.where(sensed, _open(e), np.nan)),
        "modulation_cycles": None, "modulation_seen_hz": None, "modulation_rate_hz": None,
    }  # fmt: skip
    if len(e.wheels):
        most = int(np.argmax(e.cycles + 0.5 * np.isfinite(e.cycles_hz)))
        row["modulation_cycles"] = int(e.cycles[most]) if word >= 0 else None
        if word == 1:
            row |= {"modulation_seen_hz": e.cycles_hz[most], "modulation_rate_hz": e.cycles_rate_hz[most]}
    return row


def _marks(e):
    return {"wheels_modulated": e.modulated == 1, "wheels_locked": e.verdict == 1}


def _road(e):
    return {
        "surface": SURFACES[e.surface], "surface_probability": e.surface_probability,
        "friction_used_up": _three(e.used_up),
        "friction_peak": e.friction_peak, "friction_sliding": e.friction_sliding, "lockup_extra_m": e.lockup_extra,
        "lockup_extra_se_m": e.lockup_extra_se,
    }  # fmt: skip


def wheel_rows(e):
    """One row a wheel."""
    columns = {
        "event_id": [e.event_id] * len(e.wheels), "wheel": e.wheels, "vehicle_id": [e.vehicle_id] * len(e.wheels),
        "sensed": e.sensed.tolist(), "free_slip": 1.0 - (1.0 - e.free_slip) / e.radius, "radius_factor": e.radius,
        "dropout_s": e.dropout, "dropout_between_s": e.between_lost, "watched_between_s": e.between_watched,
        "sensor_floor_mps": np.where(e.floor > 0, e.floor, np.nan), "peak_pressure_kpa": e.peak_pressure,
    }  # fmt: skip
    for name, values in _wheel_words(e).items():
        columns[name] = values if e.braked else [None] * len(e.wheels)
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def _wheel_words(e):
    locked, cycled = e.verdict == 1, e.modulated >= 0

    def lock(values):
        return np.where(locked, values, np.where(e.verdict == 0, 0.0, np.nan))

    above = {
        f"locked_above_{k}_s": lock(x) for k, x in zip(("15_kmh", "10_mph", "20_mph"), e.locked_above, strict=True)
    }
    return {
        "peak_slip": e.peak_slip, "lockup_s": lock(e.lock_total), "lockup_onset_s": e.lock_onset,
        "lockup_onset_speed_mps": e.lock_onset_speed, "slide_m": lock(e.lock_slide),
        "modulation_cycles": _some(e.cycles, cycled), "lockup": [_three(x) for x in e.verdict],
        "lockup_longest_s": lock(e.lock_longest), **above, "lockup_speed_mps": e.lock_held_speed,
        "peak_slip_is_bound": e.is_bound.tolist(), "steady_slip": e.steady_slip, "released_slip": e.released_slip,
        "near_lockups": _some(e.near, e.near >= 0), "near_lockup_slip": e.near_slip,
        "peak_wheel_fall_mps2": e.wheel_fall,
        "lockup_open_mps": _open(e), "modulation_seen_hz": np.where(cycled, e.cycles_hz, np.nan),
        "modulation_rate_hz": np.where(e.modulated == 1, e.cycles_rate_hz, np.nan),
        "once_a_turn": _some(e.once_a_turn, e.sensed),
    }  # fmt: skip


def _some(values, valid):
    return [x if ok else None for x, ok in zip(values.tolist(), valid, strict=True)]


def _three(code):
    return None if code < 0 else bool(code == 1)


def _verdict(wheel, looked_at):
    """1 if any wheel did, 0 if none of those looked at, else -1."""
    if (wheel == 1).any():
        return 1
    return -1 if ((wheel < 0) & looked_at).any() or not looked_at.any() else 0


def _open(e):
    return np.where(np.isinf(e.lock_open_speed), e.initial, e.lock_open_speed)


def _raised(e, name):
    most = nb.peak(e.channel(name)[e.part])
    return None if np.isnan(most) else bool(most >= 0.5)


def _pattern(e, seen):
    if ((e.modulated < 0) & seen).any():
        return None
    axle = [int(name[:-1]) for name in e.wheels]
    code = naive_cycles.taking_part((e.modulated == 1)[:, None], seen[:, None], axle, e.left)[0]
    return MODULATION_PATTERNS[code] if code >= 0 else None


def _flag_and_wheels(e, word):
    flag = _raised(e, "abs_active")
    if flag is None or word < 0:
        return None
    return {(True, 1): "both", (True, 0): "flag_only", (False, 1): "wheels_only", (False, 0): "neither"}[flag, word]


def _brake_source(e):
    """Who asked first: the word at the onset, else the last of the list that was recorded in the event."""
    if e.brake_source is None:
        return None
    first = e.brake_source[e.start] if e.began else -1
    code = first if first >= 0 else e.brake_source.max()
    return BRAKE_SOURCES[code] if code >= 0 else None


def _notes(e):
    said = [e.mended]
    if e.gapped:
        said.append(f"rows are missing for {e.longest_gap:.1f} s while braking")
    if e.beyond:
        said.append("the speed falls faster than tyres allow: is its unit right?")
    if e.braked:
        said += _remarks(e)
    return "; ".join(filter(None, said)) or None


def _remarks(e):
    told = _flag_and_wheels(e, _verdict(e.modulated, e.sensed | (e.modulated >= 0)))
    other = np.fmax(e.channel("endurance_torque_pct"), e.channel("regen_power_kw"))
    flag = "the vehicle's anti-lock flag was raised, its wheels show no modulation"
    if nb.peak(np.abs(other)[e.part]) > 0:
        flag += ": retarder, engine brake or recuperation was at work"
    wheels = "its wheels show modulation, the vehicle's anti-lock flag was not raised"
    unasked = "no cycles are counted: the friction brakes were off, or on at single wheels without the pedal"
    return [
        flag if told == "flag_only" else wheels if told == "wheels_only" else None,
        unasked if e.unasked_brakes and e.began else None,
    ]
