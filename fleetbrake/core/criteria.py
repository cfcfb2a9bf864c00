"""Every threshold of the detection, with its unit and where it comes from.

``Criteria`` is a frozen record; its :meth:`Criteria.fingerprint` is part of a file's identity in the store, so
that a changed threshold makes the tool read the file again. Status words of the sources: *verified* (read in the
text), *from memory*, *common practice, no source*, *own choice* (no outside figure exists; reason given).
"""

import hashlib
import json
from dataclasses import asdict, dataclass, fields

from fleetbrake.core.manner_criteria import MannerCriteria
from fleetbrake.core.work_criteria import WorkCriteria, criterion


@dataclass(frozen=True)
class Criteria(WorkCriteria, MannerCriteria):
    """All thresholds, SI units. Change a value by ``dataclasses.replace``; the defaults are the published edges."""

    # --- hard stop
    hard_stop_light_mps2: float = criterion(
        4.0,
        "m/s2",
        "edge definition for M1 and N1; upper end of the range in which driver rankings held in "
        "Jansen & Wesseling 2018 (verified)",
    )
    hard_stop_heavy_mps2: float = criterion(
        3.0, "m/s2", "edge definition for other categories; first threshold of Jansen & Wesseling 2018 (verified)"
    )
    peak_window_s: float = criterion(0.2, "s", "edge definition: greatest 0.2 s mean")
    peak_excess: float = criterion(
        0.8,
        "1",
        "computed: the greatest of 2 to 4 equal means that scatter exceeds them by 0.56 to 1.03 standard errors "
        "(normal order statistics); taken off the peak",
    )
    friction_window_s: float = criterion(0.5, "s", "edge definition: greatest 0.5 s mean, level road")
    decel_most_mps2: float = criterion(
        14.0,
        "m/s2",
        "own choice: dry asphalt peaks at 1.17 g = 11.5 m/s2 (Burckhardt, verified (secondary)), the measured stop "
        "reaches 12; beyond it a 0.2 s mean is an error of the channel",
    )
    least_rate_peak_hz: float = criterion(
        5.0, "Hz", "one sample per 0.2 s window; below it a peak is only a lower bound (own choice)"
    )

    carried_least: float = criterion(
        0.5, "1", "own choice: share of the braking time for which the speed must be known for a word on the road"
    )
    distance_doubt: float = criterion(
        0.03, "1", "own choice: a distance less sure than this (standard error) is not told, nor what rests on it"
    )

    # --- the brake application
    standstill_mps: float = criterion(
        0.3, "m/s", "own choice: below it wheel and speed signals of the measured stop disagree by their own size"
    )
    moving_mps: float = criterion(1.5, "m/s", "edge definition of lockup: vehicle above 1.5 m/s")
    pedal_on_pct: float = criterion(1.0, "%", "own choice: first movement above sensor rest noise")
    pressure_on_kpa: float = criterion(
        20.0, "kPa", "own choice; half of the 6 psi (41 kPa) at which FMVSS 121 S5.1.7 has the stop lamp lit (verified)"
    )
    pressure_on_share: float = criterion(
        0.02, "1", "own choice: of the greatest pressure, above zero offset of hydraulic sensors"
    )
    decel_on_mps2: float = criterion(
        2.6,
        "m/s2",
        "comfortable braking begins at 2 (Loughborough review, verified secondary), but a car whose brake was never "
        "pressed slows by up to 2.4 in the measured drive: lifted accelerator, recuperation",
    )
    decel_on_cut_mps2: float = criterion(
        1.0, "m/s2", "own choice: a cut recording is said to hold a brake application; above rolling and air drag"
    )
    decel_onset_mps2: float = criterion(0.5, "m/s2", "own choice: walk back from decel_on to where it began")
    decel_hold_s: float = criterion(0.3, "s", "own choice: longer than a bump or one bad stamp")
    cut_before_s: float = criterion(2.0, "s", "edge definition: about 2 s before")
    cut_after_s: float = criterion(2.0, "s", "edge definition: about 2 s after release or standstill")
    merge_gap_s: float = criterion(
        1.0,
        "s",
        "own choice: a foot lifted for less is one application; below the ~3 s release of snub braking "
        "(commercial driver handbook 2.16.4, verified stored text)",
    )
    least_braking_s: float = criterion(0.2, "s", "own choice: shorter touches cannot show a 0.2 s mean")
    gap_s: float = criterion(0.5, "s", "edge issue: a longer gap inside the braking phase is marked, never bridged")

    # --- lockup
    lock_ratio: float = criterion(0.05, "1", "edge definition: wheel under 5 % of the vehicle's speed")
    unlock_ratio: float = criterion(0.10, "1", "own choice: hysteresis, twice the entry")
    least_lockup_s: float = criterion(0.1, "s", "FMVSS 135 S7: 'no lockup longer than 0.1 s' (verified)")
    lockup_merge_s: float = criterion(0.05, "s", "own choice: half the shortest lockup")
    least_rate_lockup_hz: float = criterion(8.0, "Hz", "own choice: a 0.25 s lockup then shows in two samples")
    cutoff_speed_mps: float = criterion(
        15.0 / 3.6, "m/s", "15 km/h: FMVSS 135 (verified), UN R13 / R13-H (from memory)"
    )

    wheel_fall_most_mps2: float = criterion(
        500.0,
        "m/s2",
        "own choice: a brake of twice the locking torque turns a car wheel (1.2 kg m2, 0.32 m) down by about 380 m/s2",
    )

    wheel_fall_per_decel: float = criterion(
        130.0,
        "1",
        "own choice: a truck wheel (its load of 4 t, 0.5 m, 12 kg m2) that takes one and a half times its share of the "
        "vehicle's braking and finds no grip falls 125 times as fast as the vehicle slows; lighter wheels fall less",
    )
    wheel_rise_most_mps2: float = criterion(
        1000.0,
        "m/s2",
        "own choice: full grip turns a loaded truck wheel (40 kN, 0.5 m, 12 kg m2) up by about 800 m/s2, a car's 350",
    )
    wheel_spin_most_mps2: float = criterion(
        100.0,
        "m/s2",
        "own choice: an engine in first gear turns a wheel without grip (4 kN m, driveline of 13 kg m2) up by 100",
    )
    wheel_speed_most_mps: float = criterion(
        100.0, "m/s", "own choice: 360 km/h, beyond any vehicle of a fleet: a reading above it is an error"
    )
    frozen_s: float = criterion(0.2, "s", "own choice: ten rows at 50 Hz on one value are no rolling wheel")
    near_lock_slip: float = criterion(
        0.5, "1", "edge definition of a near miss: slip over 0.5, caught before full lock"
    )
    near_lock_fall_mps2: float = criterion(
        100.0,
        "m/s2",
        "own choice: beyond the vehicle's deceleration; a car wheel (4 kN, 0.32 m, 1.2 kg m2) falls so when the brake "
        "takes 0.3 of its load more than the road gives, which no wheel under control does",
    )
    near_lock_fall_slip: float = criterion(
        0.25, "1", "own choice: with such a fall; past the peak of every paved Burckhardt set (0.13 to 0.17, computed)"
    )
    least_rate_near_lock_hz: float = criterion(
        20.0, "Hz", "own choice: a wheel that is caught within 0.1 s then shows in two samples"
    )
    floor_gentle_mps2: float = criterion(
        2.5, "m/s2", "own choice: a stop so gentle locks no wheel on a road with grip; comfortable braking is 2"
    )
    floor_most_mps: float = criterion(
        2.0, "m/s", "own choice: sensors that need more are useless to a control that lets go at 3 to 5 mph"
    )
    floor_least_mps: float = criterion(
        0.15, "m/s", "own choice: twice the noise of wheel and vehicle speed; a lower floor decides no lockup"
    )
    floor_least_stops: float = criterion(2, "1", "own choice: one stop may end with a locked wheel")
    free_wheel_share: float = criterion(
        0.95, "1", "own choice: a wheel that turns so close to the vehicle's speed is hardly braked"
    )
    quick_row_s: float = criterion(
        0.025,
        "s",
        "own choice: shorter than brake pressure needs to build and to go (0.35 to 0.55 s for air, FMVSS 121 S5.3, "
        "verified; some tens of ms for hydraulic modulators, from memory)",
    )
    noisiest_slip: float = criterion(
        0.03, "1", "own choice: a wheel whose free slip scatters more has no mean to trust"
    )

    # --- modulation
    modulation_least_speed_mps: float = criterion(
        2.5, "m/s", "control lets go at about 3 to 5 mph (1998 service manual, verified)"
    )
    cycle_slip: float = criterion(0.05, "1", "own choice: release and rebuild depth, above wheel-speed noise")
    cycle_peak_slip: float = criterion(
        0.07, "1", "own choice: below the least slip of peak adhesion of paved Burckhardt sets (0.13), above rolling"
    )
    cycle_depth_share: float = criterion(0.35, "1", "own choice: of the peak, so that jitter of deep slip is no cycle")
    cycle_noise_factor: float = criterion(5.0, "1", "own choice: cycle depth over free-rolling slip noise")
    cycle_pressure_share: float = criterion(0.15, "1", "own choice: cycle depth of a wheel's pressure, of its peak")
    cycle_pressure_least: float = criterion(
        0.03, "1", "own choice: least such depth, of the wheel's greatest pressure: above sensor noise"
    )
    cycle_longest_s: float = criterion(
        0.8,
        "s",
        "slower than 1.25 per second is a foot, not a control: lowest published rate is 2 per second "
        "(1996 service manual, verified)",
    )
    least_cycles: float = criterion(
        2, "1", "edge definition; R13 'full cycling': one modulation does not count (from memory)"
    )
    cycle_swing_factor: float = criterion(
        1.75, "1", "own choice: cycle depth over the usual swing of the unbraked wheel; its greatest is about 1.5 of it"
    )
    cycle_swing_window_s: float = criterion(
        0.4, "s", "own choice: holds a cycle of 2.5 per second, and four samples at 10 Hz"
    )
    quick_cycles: float = criterion(4, "1", "own choice: cycles of few samples each need company to be believed")
    quick_cycle_spread: float = criterion(
        0.15, "1", "own choice: and must follow one another evenly; waits of chance spread by a third and more"
    )
    two_quick_cycles_s: float = criterion(
        0.133, "s", "two cycles at 15 per second, the quickest published (1996 service manual, verified; computed)"
    )
    turn_least_m: float = criterion(1.6, "m", "own choice: a turn of a wheel of 0.25 m radius")
    turn_most_m: float = criterion(3.6, "m", "own choice: a turn of a wheel of 0.57 m radius")
    turn_spread: float = criterion(
        0.12, "1", "own choice: half a sample at 50 Hz and 20 m/s at each end of a turn of 2 m is 0.1 of it"
    )
    demand_held_share: float = criterion(
        0.7, "1", "own choice: a demand that falls below this share within a cycle is a foot lifted"
    )
    foot_shortest_s: float = criterion(
        0.25,
        "s",
        "own choice: from top through release and back a foot pumping twice a second takes 0.3 s, a control of 3 per "
        "second and more (from memory) less; where the pressure or the deceleration itself may carry the cycles",
    )
    pressed_share: float = criterion(
        0.2, "1", "own choice: a wheel under this share of the greatest wheel pressure is not braked"
    )
    frequency_rate_factor: float = criterion(2.5, "1", "samples per cycle for a frequency; Nyquist needs 2")
    alias_free_hydraulic_hz: float = criterion(
        30.0, "Hz", "twice the 15 cycles per second of hydraulic control (1996 service manual, verified)"
    )
    alias_free_air_hz: float = criterion(12.0, "Hz", "above twice the 3 to 5 Hz of air control (from memory)")
    least_rate_modulation_hz: float = criterion(8.0, "Hz", "own choice: two cycles of 2 per second in 1 s show")

    # --- friction and surface
    used_up_slip: float = criterion(
        0.12,
        "1",
        "own choice: just under the slip of peak adhesion on wet asphalt (0.131, Burckhardt, from memory; computed)",
    )
    used_up_s: float = criterion(0.15, "s", "own choice: slip held, or with cycles")
    grip_light: float = criterion(
        0.90,
        "1",
        "factor on the published tyre curves for car and van tyres on paved roads: Burckhardt's sets themselves (1; "
        "dry verified (secondary), others from memory), Wong's dry asphalt 0.8 to 0.9 (from memory) 0.7 to 0.8 of them",
    )
    grip_light_sd: float = criterion(0.13, "1", "own choice: half the distance between the two sources of grip_light")
    grip_heavy: float = criterion(
        0.68, "1", "truck tyres give about 0.8 at the peak on dry asphalt (Wong table, from memory), over 1.17"
    )
    grip_heavy_sd: float = criterion(0.10, "1", "own choice: 0.68 to 0.92 at the dry peak within one")
    grip_any: float = criterion(0.80, "1", "own choice: between light and heavy where the recording does not tell")
    grip_any_sd: float = criterion(0.17, "1", "own choice: reaches light and heavy")
    grip_snow: float = criterion(1.0, "1", "hard-packed snow 0.2 / 0.15 (Wong, from memory), set 0.19 / 0.13")
    grip_snow_sd: float = criterion(
        0.35, "1", "own choice: 0.12 to 0.26 within one; snow 0.20 to 0.25 (Noon, verified (secondary))"
    )
    grip_ice: float = criterion(1.4, "1", "between the set, 0.05, and ice 0.1 / 0.07 (Wong, from memory)")
    grip_ice_sd: float = criterion(0.5, "1", "own choice: reaches both; ice 0.10 to 0.15 (Noon, verified (secondary))")
    grip_snow_slow: float = criterion(
        0.75, "1", "on the slow snow curve: between hard-packed snow 0.2 (Wong, from memory) and its own peak, 0.29"
    )
    grip_snow_slow_sd: float = criterion(0.25, "1", "own choice: reaches both")
    grip_ice_slow: float = criterion(
        0.9, "1", "on the slow ice curve, peak 0.10: ice 0.1 (Wong, from memory), the set 0.05"
    )
    grip_ice_slow_sd: float = criterion(0.3, "1", "own choice: 0.06 to 0.12 within one")
    grip_loose: float = criterion(
        0.95, "1", "on the loose curve, 0.6 at lock: gravel 0.6 / 0.55 (Wong, from memory); the ground gives way first"
    )
    grip_loose_sd: float = criterion(
        0.18, "1", "own choice: gravel or dirt road 0.35 (Noon, verified (secondary)) is still within two to three"
    )
    fall_share: float = criterion(
        0.75,
        "1",
        "own choice: of the published fall from peak to lock: Burckhardt slides at 0.65 of the dry peak, Wong at 0.88",
    )
    fall_sd: float = criterion(0.13, "1", "own choice: spread of that fall over c1: half of what the sources differ by")
    fall_loose_sd: float = criterion(
        0.07, "1", "own choice: narrower, since a force that does not rise to lock is no sign of loose ground"
    )
    heavy_above_kg: float = criterion(
        4000.0, "kg", "own choice: above the 3 500 kg of N1 and M1 with room for the sensor; heavier classes weigh more"
    )
    hydraulic_above_kpa: float = criterion(
        1500.0, "kPa", "own choice: above any air brake (about 850 kPa, common practice), far below hydraulic ones"
    )
    air_braked_from: float = criterion(
        0.4, "1", "own choice: braking rate that hydraulic brakes do not reach under hydraulic_above_kpa (about 3 MPa)"
    )
    rolling_resistance: float = criterion(
        0.01, "1", "0.006 to 0.015 of the weight, common practice, no source: slows down without any brake slip"
    )
    pair_window_s: float = criterion(
        0.1, "s", "own choice: shorter than a wheel's way to lock under air brakes, and five samples at 50 Hz"
    )
    pair_model_error: float = criterion(
        0.06, "1", "own choice: of the braking rate; shares of load and the tyre's own spread are not known better"
    )
    pair_least_error: float = criterion(0.012, "1", "own choice: of g; air and rolling resistance beside the tyres")
    pairs_alike: float = criterion(3, "1", "own choice: pairs of alike slip that count in full; more count as so many")
    least_pairs: float = criterion(3, "1", "own choice: fewer pairs show neither level nor shape")
    surface_least_probability: float = criterion(
        0.6, "1", "own choice: a surface that is not clearly likelier than all others together is not named"
    )
    surface_worst_misfit: float = criterion(
        9.0, "1", "own choice: three standard errors from every curve: something else than the tyres is at work"
    )
    split_yaw: float = criterion(
        0.12,
        "rad/s",
        "own choice: of yaw rate for each g of braking, mean over the application; simulated, one locked wheel of four "
        "stays under 0.1, ice under one side of a bus makes 0.3",
    )
    split_ratio: float = criterion(1.5, "1", "own choice: of slip or cycles between the sides, above chance")
    front_share: float = criterion(
        0.6,
        "1",
        "own choice: of the load on the front axle of a two-axle vehicle while braking hard: half at rest and 0.1 to "
        "0.2 of transfer",
    )
    front_share_many_axles: float = criterion(
        0.45, "1", "own choice: the same with three or more axles: about a third at rest"
    )
    ice_improbable_c: float = criterion(
        8.0, "deg C", "own choice: snow and ice do not last on a road in air this warm; one in fifty"
    )
    ice_probable_c: float = criterion(3.0, "deg C", "common practice, no source: warning of ice on the road from here")
    map_trust: float = criterion(
        20.0, "1", "own choice: odds by which a map's word, paved or unpaved, is right of a road that was braked on"
    )
    friction_known_within: float = criterion(
        0.12, "1", "own choice: greatest standard error of a friction value that is reported, of the value"
    )
    near_full_pedal_pct: float = criterion(90.0, "%", "own choice: near-full demand")
    near_full_pressure_hydraulic_kpa: float = criterion(8000.0, "kPa", "common practice, no source")
    near_full_pressure_air_kpa: float = criterion(
        586.0, "kPa", "85 psi: full-treadle application of FMVSS 121 S4 (verified)"
    )

    # --- vehicle behaviour within an event (feed the indicators)
    steady_slip_below: float = criterion(0.08, "1", "own choice: linear part of every paved tyre curve")
    build_up_share: float = criterion(0.75, "1", "common practice, no source: 75 % of the reached value")
    least_rate_build_up_hz: float = criterion(
        20.0, "Hz", "own choice: one period is then a tenth of the 0.45 s of FMVSS 121 S5.3.3 (verified)"
    )
    free_roll_s: float = criterion(0.3, "s", "own choice: least free rolling before the demand for a wheel's zero")
    release_look_s: float = criterion(
        0.6, "s", "FMVSS 121 S5.3.4: 0.55 s release for trucks and buses (verified), rounded up"
    )

    mfdd_slack_share: float = criterion(
        0.02,
        "1",
        "twice the 1 % that UN R13 Annex 4, 1.1.2 allows the speed instrument (verified): so close to the band's edge "
        "a speed that passes it again is noise",
    )
    release_look_back_s: float = criterion(
        1.0, "s", "own choice: what was asked before the release; a foot lifts in less"
    )
    release_rest_after_s: float = criterion(
        1.2, "s", "FMVSS 121 S5.3.4: 1.20 s release for trailers, the longest allowed (verified)"
    )
    release_rest_s: float = criterion(
        0.3, "s", "own choice: 0.03 m/s speed noise then leaves 0.14 m/s2 in what remains after the release"
    )
    response_least_mps2: float = criterion(
        0.98, "m/s2", "own choice: a tenth of g; below it rise and fall drown in the noise of the speed"
    )
    preceded_s: float = criterion(
        0.05, "s", "own choice: deceleration this much ahead of the demand, beyond a sample, has another cause"
    )

    def fingerprint(self) -> str:
        """Sixteen hex digits that change when any value changes."""
        text = json.dumps(asdict(self), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


DEFAULT = Criteria()


def rows() -> list[tuple[str, float, str, str]]:
    """Name, value, unit and source of every threshold, for the documentation and the reports."""
    return [(f.name, getattr(DEFAULT, f.name), f.metadata["unit"], f.metadata["source"]) for f in fields(Criteria)]
