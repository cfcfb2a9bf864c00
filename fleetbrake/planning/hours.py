"""Hours of a visit in the bay, on the roller tester and of a qualified brake inspector, by what has to be looked at.

Every number is an own choice; a workshop knows its own. Bay hours in h; the two others are part of them. Inside the
planner all hours are whole minutes, so that sums are exact.
"""

from typing import NamedTuple

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
#: Part of a statutory inspection on the roller tester: every axle is measured once.
STATUTORY_ROLLER_SHARE = 0.25
#: Part of it that only a qualified inspector may do: the test and its verdict, not the preparing.
STATUTORY_INSPECTOR_SHARE = 0.5

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

#: Part of these on the roller tester; none where a look and a meter are enough.
ROLLER_HOURS = {
    "low_brake_effectiveness": 1.0,  # all axles, before and after
    "side_imbalance": 0.5,  # one axle, before and after
    "brake_drag": 0.25,  # rolling resistance of one axle
    "slow_response": 0.5,  # build-up on all axles
    "brake_fade": 0.5,  # all axles once
    "open_report": 0.25,  # the whole vehicle, shortly
}
#: Part of them by a qualified inspector: who judges brakes has to be qualified, who takes a sensor out need not.
INSPECTOR_SHARE = {
    "lockup_without_modulation": 0.5,
    "modulation_on_light_braking": 0.5,
    "wheel_speed_dropout": 0.5,
}
INSPECTOR_SHARE_ELSE = 1.0

_MINUTES = 60
#: Absorbs the decimal fractions of a register only (min).
_SLACK = 1e-6


class Minutes(NamedTuple):
    """Whole minutes a visit takes, in this order everywhere."""

    bay: int
    roller: int
    inspector: int


def minutes_taken(hours: float) -> int:
    """Whole minutes that hold ``hours`` (h)."""
    return -int(-(hours * _MINUTES - _SLACK) // 1)


def minutes_given(hours: float) -> int:
    """Whole minutes that ``hours`` (h) hold."""
    return int((hours * _MINUTES + _SLACK) // 1)


def as_hours(minutes: int) -> float:
    """Minutes in h."""
    return minutes / _MINUTES


def together(*parts: Minutes) -> Minutes:
    """Sum of the parts of one visit."""
    return Minutes(*(sum(column) for column in zip(*parts, strict=True))) if parts else Minutes(0, 0, 0)


def indicator_minutes(indicator: str) -> Minutes:
    """Looking into one indicator."""
    bay = INDICATOR_HOURS.get(indicator, INDICATOR_HOURS_ELSE)
    inspector = bay * INSPECTOR_SHARE.get(indicator, INSPECTOR_SHARE_ELSE)
    return Minutes(*(minutes_taken(hours) for hours in (bay, ROLLER_HOURS.get(indicator, 0.0), inspector)))


def statutory_minutes(category: str | None, bay: float | None = None) -> Minutes:
    """One statutory inspection; ``bay`` hours where the register tells them."""
    hours = STATUTORY_HOURS.get(category or "", STATUTORY_HOURS_ELSE) if bay is None else bay
    shares = (1.0, STATUTORY_ROLLER_SHARE, STATUTORY_INSPECTOR_SHARE)
    return Minutes(*(minutes_taken(hours * share) for share in shares))
