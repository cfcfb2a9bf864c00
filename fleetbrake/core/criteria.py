"""Every threshold of the detection, with its unit and where it comes from.

``Criteria`` is a frozen record; its :meth:`Criteria.fingerprint` is part of a file's identity in the store, so
that a changed threshold makes the tool read the file again. Status words of the sources: *verified* (read in the
text), *from memory*, *common practice, no source*, *own choice* (no outside figure exists; reason given).
"""

import hashlib
import json
from dataclasses import asdict, dataclass, field, fields


def criterion(value: float, unit: str, source: str) -> float:
    """One threshold as a dataclass field; unit and source travel in the field's metadata."""
    return field(default=value, metadata={"unit": unit, "source": source})  # type: ignore[no-any-return]


@dataclass(frozen=True)
class Criteria:
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
        2.0,
        "m/s2",
        "comfortable braking begins here (Loughborough review, verified secondary); coasting in gear "
        "reaches 1.5 in the measured stop",
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
    cycle_pressure_share: float = criterion(0.15, "1", "own choice: of the wheel's greatest pressure")
    cycle_longest_s: float = criterion(
        0.8,
        "s",
        "slower than 1.25 per second is a foot, not a control: lowest published rate is 2 per second "
        "(1996 service manual, verified)",
    )
    least_cycles: float = criterion(
        2, "1", "edge definition; R13 'full cycling': one modulation does not count (from memory)"
    )
    demand_held_share: float = criterion(0.6, "1", "own choice: a demand below this share of its peak is a foot lifted")
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
    snow_ice_below: float = criterion(0.32, "1", "hard-packed snow 0.2, wet earth 0.4 (Wong table, from memory)")
    wet_below: float = criterion(
        0.68, "1", "between wet asphalt 0.5 to 0.7 and dry 0.8 to 0.9 (Wong table, from memory)"
    )
    loose_lowest: float = criterion(
        0.30, "1", "own choice: gravel slides at 0.55, wet earth at 0.4 (Wong, from memory)"
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

    def fingerprint(self) -> str:
        """Sixteen hex digits that change when any value changes."""
        text = json.dumps(asdict(self), sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


DEFAULT = Criteria()


def rows() -> list[tuple[str, float, str, str]]:
    """Name, value, unit and source of every threshold, for the documentation and the reports."""
    return [(f.name, getattr(DEFAULT, f.name), f.metadata["unit"], f.metadata["source"]) for f in fields(Criteria)]
