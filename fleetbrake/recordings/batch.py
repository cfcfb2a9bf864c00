"""``EventBatch``: many recordings as flat arrays, the unit in which everything is computed."""

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from fleetbrake.core.vocabulary import WHEELS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Per-sample channels besides the wheels, as in the recording contract; booleans are 0.0 / 1.0 / NaN.
CHANNELS = (
    "speed_mps",
    "brake_pressure_kpa",
    "brake_pedal_pct",
    "brake_switch",
    "endurance_torque_pct",
    "regen_power_kw",
    "accelerator_pct",
    "lift_axle_up",
    "abs_operational",
    "abs_warning_lamp",
    "supply_pressure_kpa",
    "abs_active",
    "accel_long_mps2",
    "accel_lat_mps2",
    "yaw_rate_radps",
    "steering_angle_rad",
    "gross_mass_kg",
    "grade",
    "air_temp_c",
    "latitude_deg",
    "longitude_deg",
)


@dataclass(frozen=True)
class EventBatch:
    """Samples of many recordings laid end to end.

    Event ``e`` is the samples ``[offsets[e], offsets[e + 1])``. NaN means "not recorded". ``N`` samples, ``E`` events,
    ``W`` wheels that have at least one of speed and pressure.

    Attributes
    ----------
    offsets : int64 ``(E + 1,)``
    time_s : float64 ``(N,)``, seconds from each event's first sample, strictly rising within an event.
    start_us : int64 ``(E,)``, UTC microseconds since 1970 of each event's first sample.
    event_id, vehicle_id, driver_id : object ``(E,)`` of str or None. ``event_id`` is None in continuous recordings.
    row_start, row_stop : int64 ``(E,)``, the rows of the source file that the event came from.
    channels : name -> float64 ``(N,)``, only those recorded; names of :data:`CHANNELS`.
    wheels : names (``1L`` ...) of the rows of the wheel arrays, in order.
    wheel_speed_mps : float64 ``(W, N)``. Where ``wheel_saturated`` it is an upper bound of the wheel's speed.
    wheel_pressure_kpa : float64 ``(W, N)``
    wheel_saturated : bool ``(W, N)`` or None if no channel of the file can saturate.
    brake_source : int8 ``(N,)``, position in ``BRAKE_SOURCES`` or -1; None if not recorded.
    road_unpaved : float64 ``(N,)``, 1 unpaved, 0 paved, NaN unknown; None if not recorded.
    continuous : True for a drive from which the brake applications are still to be cut.
    speed_source : one of ``SPEED_SOURCES`` or None if the file does not say.
    wheel_floor_mps : speed below which the wheel sensors read zero (0 if the file does not say).
    path : the source file, as logged.
    notes : per event, what validation mended; object ``(E,)`` of str ("" for nothing).
    file_row : int64 ``(N,)``, the file's row of each sample; None if no row was dropped, so that they just count on.
    """

    offsets: Ints
    time_s: Floats
    start_us: Ints
    event_id: npt.NDArray[np.object_]
    vehicle_id: npt.NDArray[np.object_]
    driver_id: npt.NDArray[np.object_]
    row_start: Ints
    row_stop: Ints
    channels: dict[str, Floats]
    wheels: tuple[str, ...]
    wheel_speed_mps: Floats
    wheel_pressure_kpa: Floats
    path: str = ""
    wheel_saturated: npt.NDArray[np.bool_] | None = None
    brake_source: npt.NDArray[np.int8] | None = None
    road_unpaved: Floats | None = None
    continuous: bool = False
    speed_source: str | None = None
    wheel_floor_mps: float = 0.0
    notes: npt.NDArray[np.object_] = field(default_factory=lambda: np.empty(0, dtype=object))
    file_row: Ints | None = None

    @property
    def events(self) -> int:
        """Number of events ``E``."""
        return len(self.offsets) - 1

    @property
    def samples(self) -> int:
        """Number of samples ``N``."""
        return len(self.time_s)

    @cached_property
    def presses(self) -> bool:
        """Whether the pressure of any wheel was recorded."""
        return not bool(np.isnan(self.wheel_pressure_kpa).all())

    def has(self, name: str) -> bool:
        """Whether the channel was recorded at all in this file."""
        return name in self.channels

    def channel(self, name: str) -> Floats:
        """The channel's samples ``(N,)``, all NaN if it was not recorded."""
        found = self.channels.get(name)
        return np.full(self.samples, np.nan) if found is None else found

    def take(self, starts: Ints, stops: Ints, parents: Ints) -> "EventBatch":
        """New batch of the sample ranges ``[starts, stops)``, each from event ``parents`` of this one.

        Times start again at zero. Used to cut brake applications out of a drive.
        """
        lengths = stops - starts
        offsets = np.concatenate(([0], np.cumsum(lengths))).astype(np.int64)
        # position of every kept sample in the old arrays, without a Python loop over events
        index = np.arange(offsets[-1]) - np.repeat(offsets[:-1], lengths) + np.repeat(starts, lengths)
        first_time = self.time_s[starts]
        if self.file_row is None:
            row_start = self.row_start[parents] + starts - self.offsets[parents]
            row_stop = row_start + lengths
        else:
            row_start, row_stop = self.file_row[starts], self.file_row[stops - 1] + 1

        def pick(array: Any) -> Any:
            return None if array is None else np.take(array, index, axis=-1)  # rows stay contiguous

        return replace(
            self,
            offsets=offsets,
            time_s=self.time_s[index] - np.repeat(first_time, lengths),
            start_us=self.start_us[parents] + np.round(first_time * 1e6).astype(np.int64),
            event_id=self.event_id[parents],
            vehicle_id=self.vehicle_id[parents],
            driver_id=self.driver_id[parents],
            row_start=row_start,
            row_stop=row_stop,
            channels={name: array[index] for name, array in self.channels.items()},
            wheel_speed_mps=pick(self.wheel_speed_mps),
            wheel_pressure_kpa=pick(self.wheel_pressure_kpa),
            wheel_saturated=pick(self.wheel_saturated),
            brake_source=pick(self.brake_source),
            road_unpaved=pick(self.road_unpaved),
            notes=self.notes[parents] if len(self.notes) else self.notes,
            file_row=pick(self.file_row),
        )


def wheel_column(wheel: str, quantity: str) -> str:
    """Recording column of one wheel: ``wheel_column("1L", "speed")`` is ``wheel_speed_1l_mps``."""
    if wheel not in WHEELS:
        raise ValueError(f"unknown wheel {wheel!r}")
    if quantity == "speed":
        return f"wheel_speed_{wheel.lower()}_mps"
    if quantity == "pressure":
        return f"brake_pressure_{wheel.lower()}_kpa"
    raise ValueError(f"unknown quantity {quantity!r}")
