"""Feature rows of one made recording, and the plain stop that most tests begin with."""

from fleetbrake.features.build import features
from tests.recordings_made import braking, make_batch, pressed, rolling, times

RATE = 50.0
TIME = times(8.0, RATE)


def event(batch):
    """The one event row as a dict, NULL as None."""
    rows = features(batch).events.to_pylist()
    assert len(rows) == 1
    return rows[0]


def wheels(batch):
    return {row["wheel"]: row for row in features(batch).wheels.to_pylist()}


def stop(v0=20.0, decel=5.0, *, time_s=TIME, slip=0.0, channels=None, **more):
    speed = braking(time_s, v0, decel)
    asked = {"brake_pedal_pct": pressed(time_s)} | (channels or {})
    return make_batch(time_s, speed, rolling(speed, slip=slip), asked, **more)
