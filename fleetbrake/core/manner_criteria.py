"""Thresholds of how a driver brakes; part of :class:`core.criteria.Criteria`."""

from dataclasses import dataclass

from fleetbrake.core.work_criteria import criterion


@dataclass(frozen=True)
class MannerCriteria:
    """Thresholds with unit and source, SI; the status words are those of ``core.criteria``."""

    jerk_window_s: float = criterion(
        0.5, "s", "own choice: 0.15 m/s2 noise of the deceleration then makes 0.4 m/s3; a firm build-up has 5"
    )
    last_second_s: float = criterion(
        1.0, "s", "own choice: the end of a stop is what standing passengers and loads feel"
    )
    last_second_from_mps: float = criterion(
        5.0, "m/s", "own choice: from below 18 km/h a stop lasts about two seconds whatever the style"
    )
    least_rate_last_second_hz: float = criterion(
        5.0, "Hz", "own choice: standstill is then known within 0.2 s, a fifth of the second asked for"
    )
