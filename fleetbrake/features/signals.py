"""What every decision needs per sample: rates, reference speed, slip, distance, deceleration, demand."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fleetbrake.core.criteria import Criteria
from fleetbrake.core.missing import or_zero
from fleetbrake.core.units import G_MPS2
from fleetbrake.detection import applications
from fleetbrake.features.motion import SYSTEMS, Motion, line_pressure, motion
from fleetbrake.kinematics import deceleration, rates, reference_speed, slip
from fleetbrake.kinematics.energy import climb_rate
from fleetbrake.recordings.batch import EventBatch

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


#: Above this rate the smoother averages several readings, Hz (own choice).
MANY_HZ = 40.0


#: A demand channel slower than this share of the rows is held in them; it is traced back for no longer than this, s.
SLOW_SHARE, SLOWEST_S = 0.5, 1.5

#: Brakes answer within this time, s (FMVSS 121 S5.3.3, verified, rounded up); a traced onset: share of a row.
ANSWER_S, ROW_DOUBT = 0.6, 0.25


@dataclass(frozen=True)
class Signals:
    """Per-sample and per-event signals of one batch; shapes as in ``EventBatch`` (``N``, ``(W, N)``, ``(E,)``).

    ``speed`` reference speed, ``speed_se`` its standard error (``level_se`` without that of the moment), ``supported``
    whether it rests on something that does not slip, ``measured`` the speed with NaN where it does not;
    ``from_channel`` ``(E,)`` whether a speed over ground carries it, ``channel`` that channel as a line, ``delay_s``
    ``(E,)`` its age with ``age_error_s``, ``has_accel`` ``(E,)`` whether an accelerometer does, with ``gain`` and
    ``gain_se``;
    ``mean_error`` ``(E,)`` noise of a 0.2 s mean; ``radius`` ``(W, E)`` what makes a wheel's speed the vehicle's;
    ``tilt`` what the accelerometer shows beside the change of speed; ``speed_hz`` and ``wheel_hz`` effective rates with
    NaN for too few changes, ``each_wheel_hz`` ``(W, E)`` that of each wheel; ``wheel_seen_hz`` the wheels' rate,
    cautious where few changes were seen; ``carrier_hz`` ``(E,)`` the rate of what the reference rests on; ``wheel``
    believable wheel speeds as recorded, ``sound`` which readings can be true of a wheel; ``slip`` NaN where the
    reference has no support; ``slope_extra`` the slope's share to add to get a level road; ``demand_hz`` ``(E,)`` the
    effective rate of the demand; ``onset_doubt_s`` ``(E,)``
    how sure the onset of the demand is.
    """

    event_of: Ints
    row_hz: Floats
    speed_hz: Floats
    wheel_hz: Floats
    each_wheel_hz: Floats
    wheel_seen_hz: Floats
    carrier_hz: Floats
    speed: Floats
    speed_se: Floats
    level_se: Floats
    supported: Bools
    measured: Floats
    from_channel: Bools
    channel: Floats
    delay_s: Floats
    age_error_s: Floats
    mean_error: Floats
    has_accel: Bools
    gain: Floats
    gain_se: Floats
    radius: Floats
    wheel: Floats
    sound: Bools
    slip: Floats
    decel: Floats
    tilt: Floats
    slope_extra: Floats
    demand: applications.Demand
    demand_hz: Floats
    onset_doubt_s: Floats


def derive(batch: EventBatch, criteria: Criteria, *, cut: bool, told: reference_speed.Told | None = None) -> Signals:
    """Derive the signals of a batch; ``cut`` False for whole drives, ``told`` what is known of the vehicles already."""
    moved = motion(batch, criteria, told)
    known = moved.reference
    saturated = batch.wheel_saturated
    lines = moved.lines
    decel = _decel(batch, moved)
    wanted, demand_hz, onset_doubt = _demand(batch, moved.row_hz, decel, known.has_accel, criteria, cut=cut)
    # between the readings of a slow channel the smoother guesses: what was reached at least is read off the line
    slow = np.repeat(known.has_channel & (moved.carrier_hz < criteria.least_rate_peak_hz), np.diff(batch.offsets))
    return Signals(
        event_of=np.repeat(np.arange(batch.events), np.diff(batch.offsets)),
        row_hz=moved.row_hz,
        speed_hz=moved.speed_hz,
        wheel_hz=moved.wheel_hz,
        each_wheel_hz=moved.each_wheel_hz,
        wheel_seen_hz=moved.wheel_seen_hz,
        carrier_hz=moved.carrier_hz,
        speed=known.speed,
        speed_se=known.error,
        level_se=known.level_error,
        supported=known.supported,
        measured=np.where(slow, known.line, np.where(known.supported, known.speed, np.nan)),
        from_channel=known.has_channel,
        channel=known.line,
        delay_s=known.delay,
        age_error_s=known.age_error,
        mean_error=known.mean_error,
        has_accel=known.has_accel,
        gain=known.gain,
        gain_se=known.gain_se,
        radius=known.radius,
        wheel=lines if saturated is None else np.where(saturated, np.nan, lines),
        sound=moved.sound,
        slip=slip.brake_slip(
            lines,
            known.speed,
            criteria.moving_mps,
            radius=known.radius,
            use=known.supported,
            offsets=batch.offsets,
        ),
        decel=decel,
        tilt=known.tilt,
        slope_extra=_slope_extra(batch),
        demand=wanted,
        demand_hz=demand_hz,
        onset_doubt_s=onset_doubt,
    )


def _slope_extra(batch: EventBatch) -> Floats:
    """The slope's share of the deceleration ``(N,)``, to be added to get a level road; none where no grade is known."""
    if not batch.has("grade"):
        return np.full(batch.samples, -0.0)
    return -G_MPS2 * climb_rate(or_zero(batch.channel("grade")))


def _decel(batch: EventBatch, moved: Motion) -> Floats:
    """Deceleration ``(N,)``: the smoother's own where an accelerometer shows it, else the speed's mean fall.

    The window is one in which the channel's noise makes 0.15 m/s2, no finer than the channel, no wider than 0.4 s.
    """
    offsets = batch.offsets
    noise = or_zero(rates.white_noise(batch.channel("speed_mps"), offsets[:-1], offsets[1:]))
    noise = np.where(moved.carrier_hz >= MANY_HZ, noise / np.sqrt(5.0), noise)  # the smoother has taken its share
    wide = np.minimum(0.4, noise * np.sqrt(2.0) / 0.15)
    window = np.fmax(np.fmax(2.0 / moved.row_hz, 1.0 / moved.carrier_hz), wide)
    fall = deceleration.slope(batch.time_s, moved.reference.speed, window, offsets)
    return np.where(np.repeat(moved.reference.has_accel, np.diff(offsets)), -moved.reference.accel, fall)


def _demand(
    batch: EventBatch, row_hz: Floats, decel: Floats, has_accel: Bools, criteria: Criteria, *, cut: bool
) -> tuple[applications.Demand, Floats, Floats]:
    """The demand, the effective rate of what tells it ``(E,)``, Hz, and how sure its onset is ``(E,)``, s."""
    source = batch.brake_source
    if source is None or not batch.events:
        by_system = np.zeros(batch.events, np.bool_)
    else:
        by_system = np.logical_or.reduceat(np.isin(source, SYSTEMS), batch.offsets[:-1])
    wanted = applications.demand(
        time_s=batch.time_s,
        offsets=batch.offsets,
        pedal_pct=batch.channels.get("brake_pedal_pct"),
        pressure_kpa=line_pressure(batch),
        switch=batch.channels.get("brake_switch"),
        decel_mps2=decel,
        asked_by_system=by_system,
        cut=cut,
        criteria=criteria,
    )
    # a held channel may show the demand a whole period late
    rate_hz = rates.effective_rate(batch.time_s, wanted.level[None, :], batch.offsets)
    shown_hz = _seen_demand(batch, wanted, rate_hz, has_accel)
    period = np.where(shown_hz < SLOW_SHARE * row_hz, 1.0 / shown_hz, 0.0)
    on = applications.reach_back(
        batch.time_s, wanted.on, decel, batch.offsets, np.fmin(period, SLOWEST_S), criteria.decel_onset_mps2
    )
    rows_s = 1.0 / row_hz
    # between rows the onset is traced back; in a slow channel the vehicle answers first, some tenths after the demand
    late = np.logical_or.reduceat(on & ~wanted.on, batch.offsets[:-1]) if batch.events else np.zeros(0, np.bool_)
    doubt = np.where(late, np.fmin(ANSWER_S, period) / 2.0, ROW_DOUBT * rows_s)
    return replace(wanted, on=on), rate_hz, doubt


def _seen_demand(batch: EventBatch, wanted: applications.Demand, rate_hz: Floats, has_accel: Bools) -> Floats:
    """Rate of the demand channel that speaks in each event ``(E,)``, Hz; infinite where nothing tells it.

    Few changes may be a slow channel or a steady foot: an accelerometer tells the onsets of the two apart.
    """
    measured = (wanted.kind == applications.PEDAL) | (wanted.kind == applications.PRESSURE)
    rate, asked = rate_hz, measured & np.isnan(rate_hz) & has_accel
    if asked.any():
        few = rates.seen_rate(batch.time_s, wanted.level[None, :], batch.offsets)
        rate = np.where(asked, few, rate_hz)
    return np.where(measured & ~np.isnan(rate), rate, np.inf)
