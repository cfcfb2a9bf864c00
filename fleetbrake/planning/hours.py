"""Bay hours of a visit, by what has to be looked at (own choices; a workshop knows its own)."""

#: Statutory inspection of the brakes of one unit, by category; the whole vehicle is tested.
STATUTORY_HOURS = {
    "M1": 1.0,  # light vehicle, hydraulic
    "N1": 1.0,  # light vehicle, hydraulic
    "O1": 0.5,  # often unbraked
    "O2": 1.0,  # overrun brake
    "O3": 1.5,  # air-braked trailer: no engine, fewer systems than a truck
    "O4": 1.5,  # as O3
}
STATUTORY_HOURS_ELSE = 2.0  # buses and trucks, and where the category is unknown

#: Looking into one indicator, on top of nothing else.
INDICATOR_HOURS = {
    "low_brake_effectiveness": 2.0,  # roller test of all axles, linings, supply
    "side_imbalance": 1.5,  # roller test of one axle, both wheels opened
    "brake_drag": 1.0,  # free turning, actuator return
    "slow_response": 1.5,  # build-up times, leaks, adjustment
    "brake_fade": 1.5,  # linings and drums or discs of all axles
    "lockup_without_modulation": 1.5,  # sensor, modulator, wiring of one wheel
    "modulation_on_light_braking": 1.0,  # sensor gaps, tone rings
    "wheel_speed_dropout": 0.5,  # one sensor and its wiring
    "open_report": 1.0,  # what a driver or the warning lamp told
}
INDICATOR_HOURS_ELSE = 1.0


def bay_hours(category: str | None, indicator: str | None, statutory: bool) -> float:
    """Hours of one visit; a visit for both reasons takes both."""
    hours = STATUTORY_HOURS.get(category or "", STATUTORY_HOURS_ELSE) if statutory else 0.0
    if indicator is not None:
        hours += INDICATOR_HOURS.get(indicator, INDICATOR_HOURS_ELSE)
    return hours or INDICATOR_HOURS_ELSE
