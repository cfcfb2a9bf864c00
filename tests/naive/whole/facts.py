"""What is said of one event as a whole: deceleration, distance, answer to the demand, work, pull, manner.

From ``features.event_facts``, ``answer``, ``work``, ``pull`` and ``manner``.
"""

import numpy as np

from fleetbrake.core.units import G_MPS2
from fleetbrake.core.vocabulary import BRAKE_SOURCES
from tests.naive import naive_kinematics, naive_manner
from tests.naive.whole import numbers as nb
from tests.naive.whole import vehicle
from tests.naive.whole.speed import PEDAL, SYSTEMS


def facts(e, c):
    """Fill in everything that is said of the event."""
    begin, end = (e.start, e.stop - 1) if e.began else (0, 0)
    e.initial = e.speed[begin] if e.began else np.nan
    e.known_end = e.began and bool(e.supported[end])
    e.final = e.speed[end] if e.known_end else np.nan
    e.lasted = e.t[end] - e.t[begin] + e.lead if e.known_end else np.nan
    e.covered = e.distance[end] - e.distance[begin] + e.lead * e.initial if e.began else np.nan
    e.mass, e.air = nb.median(e.channel("gross_mass_kg")), nb.median(e.channel("air_temp_c"))
    e.grade = nb.median(e.channel("grade")[e.part]) if e.began else np.nan
    _why_not(e)
    _peak(e, c)
    e.beyond = bool(np.fmax(e.peak_decel, e.peak_at_least) > c.decel_most_mps2 or _falls_too_long(e, c))
    if e.beyond:
        e.peak_decel = e.peak_at_least = e.initial = e.final = np.nan
    _distance(e, c)
    e.final_shown = np.maximum(e.final, 0.0)
    e.mean_decel = (e.initial - e.final) / e.lasted if e.lasted > 0 else np.nan
    drop = -np.nan_to_num(e.grade) * np.nan_to_num(e.covered)
    e.energy_kj = (0.5 * e.mass * (e.initial**2 - e.final_shown**2) + e.mass * G_MPS2 * drop) / 1000.0
    e.friction_used = np.nan
    if not e.beyond and e.carried and not e.gapped:
        window = np.fmax(c.friction_window_s, 1.0 / e.carrier_hz)
        e.friction_used = np.maximum(_greatest(e, e.slope_extra, window), 0.0) / G_MPS2
    e.level_decel = e.decel + e.slope_extra
    _answer(e, c)
    _work(e, c)
    _pull(e, c)
    _manner(e, c)


def _greatest(e, extra, window):
    return nb.greatest_mean(e.t[e.part], e.measured[e.part], extra[e.part], window, e.gap_limit)


def _peak(e, c):
    """Greatest 0.2 s mean, or what was reached at least where rate, rows or sliding wheels hide the peak."""
    fine = e.carrier_hz >= 0.99 * c.least_rate_peak_hz and not e.gapped
    flat = np.zeros(len(e.t))
    greatest = _greatest(e, flat, np.fmax(c.peak_window_s, 1.0 / e.carrier_hz))
    greatest = np.maximum(greatest - c.peak_excess * e.mean_error, 0.0)
    if not e.has_channel and not e.has_accel and e.struggling.any():
        lasting = _greatest(e, flat, 1.0) - 0.08 * e.initial
        greatest, fine = np.fmax(lasting, 0.0), False
    e.peak_decel, e.peak_at_least = (greatest, np.nan) if fine else (np.nan, greatest)


def _falls_too_long(e, c):
    """A second of a fall that no tyre allows: another unit."""
    speed = e.line if nb.peak(e.line) >= 0 else vehicle.fastest(e.lines)
    fall = nb.slope(e.t, speed, np.fmax(c.peak_window_s, 1.0 / e.row_hz))
    return nb.long_above(e.t[e.part], fall[e.part], c.decel_most_mps2, 1.0) and not e.has_accel


def _distance(e, c):
    """Distance with its standard error and the mean fully developed deceleration; NaN with gaps or a doubtful speed."""
    use = e.braking & e.supported
    doubt = nb.phase_mean(e.t, e.level_se, use & nb.known(e.speed), 1e-3) / nb.phase_mean(e.t, e.speed, use, 1e-3)
    whole = e.began and not e.gapped and not e.beyond and not doubt > c.distance_doubt
    e.braking_distance = e.braking_distance_se = e.mfdd = np.nan
    if whole:
        e.braking_distance = e.covered
        parts = (doubt * e.covered, e.onset_doubt * e.initial, e.age_error * (e.initial - e.final))
        e.braking_distance_se = np.sqrt(np.sum(np.square(parts)))
        (e.mfdd,) = naive_kinematics.mean_fully_developed(
            e.t, e.speed, e.distance, [e.start], [e.stop], c.mfdd_slack_share
        )


def _why_not(e):
    """Why this is no brake application; None where it is one."""
    fastest, channel = nb.peak(e.speed), e.channel("speed_mps")
    e.not_braking = None
    if not e.began:
        e.not_braking = "no brake demand recorded" if fastest > 0.3 else "standstill"
    if np.isnan(fastest):
        e.not_braking = "no usable vehicle speed"
    turning = np.nan_to_num([nb.peak(x) for x in e.lines])
    one_axle = len(turning) >= 4 and 0.3 < turning.max() < 3.0 and turning.min() < 0.1
    if one_axle and not (e.has_channel and fastest > 0.3):
        e.not_braking = "only one axle turns: roller tester"
    backwards = nb.peak(-channel)
    forwards = fastest if np.isnan(backwards) else nb.peak(channel)
    if backwards > 0.6 and not forwards > 1.5:
        e.not_braking = "reversing"


# --- the answer to the demand


def _answer(e, c):
    e.demand_hz = nb.effective_rate(e.t, [e.level]) if e.measured_demand else np.nan
    e.demand_peak = nb.peak(e.level[e.part]) if e.measured_demand else np.nan
    e.retarding = np.abs(e.channel("endurance_torque_pct")) > c.endurance_on_pct
    e.recuperating = e.channel("regen_power_kw") > c.regen_on_kw
    endurance = e.retarding | e.recuperating
    rest = _rest(e)
    given = _by_demand(e) and not e.flagged and not (e.modulated == 1).any() and not rest > c.decel_on_cut_mps2
    e.build_up = e.release_s = e.demand_rise = e.effectiveness = e.effectiveness_change = np.nan
    if not given:
        return
    (e.effectiveness,), (e.effectiveness_change,) = naive_kinematics.effectiveness(
        e.t, e.speed, e.slope_extra, e.level, e.steady & ~endurance, [e.start], [e.stop], 0.5
    )
    if (e.verdict == 1).any() or not e.demand_hz >= 0.99 * c.least_rate_build_up_hz:
        return
    if not e.gapped:
        rise = naive_kinematics.rise_time(e.t, e.level, [e.start], [e.stop], c.build_up_share)[0]
        e.demand_rise = rise + e.lead
    if e.carrier_hz >= 0.99 * c.least_rate_build_up_hz:
        e.build_up = _build_up(e, rest, endurance, c) if e.carried else np.nan
        e.release_s = _release(e, endurance, c)


def _by_demand(e):
    """The measured demand is what braked: no system asked besides the pedal, or single wheels."""
    if e.brake_source is None:
        return e.measured_demand
    asked = e.brake_source[e.braking]
    system = np.isin(asked, SYSTEMS).any() and e.kind == PEDAL
    return e.measured_demand and not system and not (asked == BRAKE_SOURCES.index("esc")).any()


def _rest(e):
    """Deceleration just before the demand; 0 where the recording begins with it."""
    if not e.began:
        return 0.0
    ahead = e.t[e.start] - e.t
    use = (ahead <= 0.4 + nb.SLACK) & (ahead >= 0.1 - nb.SLACK) & e.supported
    return float(np.nan_to_num(nb.phase_mean(e.t, e.level_decel, use, 0.1)))


def _build_up(e, rest, endurance, c):
    if not nb.peak(e.level_decel[e.part]) - rest >= c.response_least_mps2 or endurance[e.part].any() or e.gapped:
        return np.nan
    (found,) = naive_kinematics.build_up(e.t, e.level, e.level_decel, [rest], [e.start], [e.stop], c.build_up_share)
    return np.nan if found < -(c.preceded_s + 1.0 / e.carrier_hz) else found


def _release(e, endurance, c):
    """Release time; NaN where the vehicle came to rest, was braked again or driven before the brakes were off."""
    if e.release < 0:
        return np.nan
    driven = e.channel("accelerator_pct") > c.foot_off_pct
    stopped = ~(e.speed > c.moving_mps) | ~e.supported | e.on | driven
    late = np.flatnonzero(stopped & (np.arange(len(e.t)) > e.release))
    last = late[0] if len(late) else len(e.t)
    (fallen,), (lost,), (rest,) = naive_kinematics.release_time(
        e.t, e.level, e.level_decel, [e.release], [e.start], [last], c.build_up_share, c.release_look_back_s,
        c.release_rest_after_s, c.release_rest_s,
    )  # fmt: skip
    steps = np.diff(e.t[e.start : last])
    clear = abs(rest) <= c.decel_on_cut_mps2 and rest >= -c.decel_onset_mps2
    whole = not (len(steps) and steps.max() > e.gap_limit)
    ahead = fallen < -(c.preceded_s + 1.0 / e.carrier_hz)
    helped = endurance[e.start : last].any()
    return fallen if clear and whole and lost >= c.response_least_mps2 and not ahead and not helped else np.nan


# --- work, pull, manner


def _work(e, c):
    speed = np.maximum(e.speed, 0.0)
    share, accelerator = np.abs(e.channel("endurance_torque_pct")) / 100.0, e.channel("accelerator_pct")

    def total(values):
        return nb.time_integral(e.t[e.part], values[e.part], e.gap_limit)

    e.regen_kj = total(np.maximum(e.channel("regen_power_kw"), 0.0))
    e.air_path, e.retarder_path = total(speed**3), total(share * speed)
    known = nb.known(total(share))
    e.retarder_s = nb.marked_time(e.t, e.retarding & e.braking) if known else np.nan
    early = e.t < (e.t[e.start] if e.began else np.nan) - c.coast_clear_s
    quiet = (early | e.after) & ~e.on & (e.speed > 3.0) & e.supported
    dry = quiet
    if e.pressure is not None:
        dry = quiet | (e.braking & (e.pressure < c.pressure_on_kpa) & (e.speed > 3.0))
    coast = quiet & (accelerator <= c.foot_off_pct) & ~e.retarding & ~e.recuperating
    alone = dry & ~(accelerator > c.foot_off_pct) & e.retarding & ~e.recuperating
    e.coast_mps2, e.coast_speed = (nb.phase_mean(e.t, x, coast, c.coast_s) for x in (e.level_decel, speed))
    e.retarded_mps2, e.retarded_speed, e.retarded_share = (
        nb.phase_mean(e.t, x, alone, c.coast_s) for x in (e.level_decel, speed, share)
    )


def _pull(e, c):
    yaw, steer = e.channel("yaw_rate_radps"), e.channel("steering_angle_rad")
    rows = (yaw, steer, yaw * e.speed, e.level_decel, e.tilt)
    before, under = (
        [nb.phase_mean(e.t, x, use & e.supported, c.free_roll_s) for x in rows] for use in (e.before, e.steady)
    )
    straight = abs(before[2]) <= c.pull_bend_mps2
    e.yaw_change = under[0] - before[0] if straight and abs(under[2]) <= c.pull_most_mps2 else np.nan
    held = straight and abs(under[2] - before[2]) <= c.pull_bend_mps2
    e.steer_change = under[1] - before[1] if held else np.nan
    e.held_decel, e.held_tilt = under[3], under[4]


def _manner(e, c):
    e.peak_jerk = e.last_second = np.nan
    if not e.began or e.gapped:
        return
    span = ([e.start], [e.stop])
    if e.carrier_hz >= 0.99 * c.least_rate_build_up_hz and e.carried:
        decel = np.where(e.supported, e.decel, np.nan)
        e.peak_jerk = _jerk(e, decel, c.jerk_window_s, 1.5 / e.row_hz)
    stops = e.speed[e.start] >= c.last_second_from_mps and e.speed[e.stop - 1] <= c.standstill_mps
    if stops and e.carrier_hz >= 0.99 * c.least_rate_last_second_hz:
        speed = np.where(e.supported, e.speed, np.nan)
        (e.last_second,) = naive_manner.last_share(e.t, speed, *span, c.last_second_s)


def _jerk(e, decel, window, gap):
    """Greatest mean rise of the deceleration over a window that ends between the onset and the peak."""
    inside = decel[e.part]
    if not nb.known(inside).any():
        return np.nan
    i = np.arange(e.start, e.start + int(np.nanargmax(inside)) + 1)
    back = np.searchsorted(e.t, e.t[i] - window + nb.SLACK, side="right") - 1
    i, back = i[back >= 0], back[back >= 0]
    step = e.t[i] - e.t[back]
    rise = ((decel[i] - decel[back]) / step)[step <= window + gap]
    return nb.peak(rise)
