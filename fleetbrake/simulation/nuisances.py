"""What real recordings do to detection, each switchable by name: in the road, the driver, the vehicle or the logger.

A nuisance changes up to four things: the applications (``drive``), the logger's setup (``setup``), the wheel sensors
(``sensors``), and the recorded columns (``stage``: traces that are no brake application). Sizes are own choices unless
a source stands beside them; those of one vehicle (delay, radii, bias, dive) are constant over its file.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from fleetbrake.simulation import scenes
from fleetbrake.simulation.applications import Applications, VehicleSpec
from fleetbrake.simulation.loggers import Setup
from fleetbrake.simulation.run import Simulated
from fleetbrake.simulation.wheel_sensors import Floats, Loss, absurd, fail, rough_road, tone_wheel

Rng = np.random.Generator
Drive = Callable[[Applications, VehicleSpec, Rng], None]
Arrange = Callable[[Setup, VehicleSpec, Rng], None]
Sensors = Callable[[Simulated, Floats, VehicleSpec, Rng], Loss]


@dataclass(frozen=True)
class Nuisance:
    """One entry of :data:`NUISANCES`; ``floor_mps`` is what the wheel sensors cannot see below."""

    drive: Drive | None = None
    setup: Arrange | None = None
    sensors: Sensors | None = None
    stage: scenes.Stage | None = None
    floor_mps: float = 0.0


# --- the logger


def _late(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    """Receivers smooth: 0.1 to 0.3 s late, constant for a vehicle."""
    setup.gnss_delay_s = float(rng.uniform(0.1, 0.3))


def _gnss(hz: float | None) -> Arrange:
    def arrange(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
        setup.gnss_hz = hz if hz is not None else float(rng.choice((4.0, 5.0)))

    return arrange


def _speed(kind: str, label: str | None) -> Arrange:
    def arrange(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
        setup.speed, setup.label = kind, label

    return arrange


def _without(speed: bool, accel: bool) -> Arrange:
    def arrange(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
        setup.accel = setup.accel and not accel
        if speed:
            setup.speed, setup.label = "none", None

    return arrange


def _radii(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.radius_error = rng.uniform(-0.02, 0.02, 6)


def _bias(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.accel_bias_mps2 = float(rng.uniform(-0.3, 0.3))


def _dive(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    """Pitch of 0.5 to 3 degrees a g: 0 to 8 % of the deceleration, constant for a vehicle."""
    setup.accel_gain = float(rng.uniform(0.0, 0.08))


def _shaky(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.accel_noise_mps2 = 0.4


def _wheel_hz(hz: float) -> Arrange:
    def arrange(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
        setup.wheel_hz = hz

    return arrange


def _pressure(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.pedal, setup.pressure_hz = False, 1.0


def _accel_25(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.accel_hz = 25.0


def _rate_drops(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.rate_drops = True


def _gap(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.gap_s = float(rng.uniform(0.6, 1.2))


def _stuck_accel(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.accel_stuck = True


def _stuck_gnss(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.gnss_stuck = True


def _flag(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.abs_flag = True


def _source(word: str) -> Arrange:
    def arrange(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
        setup.source = word
        setup.pressure_hz = 50.0

    return arrange


def _late_without_accel(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    _late(setup, spec, rng)
    _without(False, True)(setup, spec, rng)


def _recuperation(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    setup.pressure_hz = 50.0


def _together(setup: Setup, spec: VehicleSpec, rng: Rng) -> None:
    for part in (_late, _gnss(None), _radii, _bias, _dive, _accel_25):
        part(setup, spec, rng)


# --- the wheel sensors


def _dropout(sim: Simulated, wheel: Floats, spec: VehicleSpec, rng: Rng) -> Loss:
    return fail(sim, wheel, 2 * spec.axles, 0.4, rng)


def _absurd(sim: Simulated, wheel: Floats, spec: VehicleSpec, rng: Rng) -> Loss:
    return absurd(sim, wheel, 2 * spec.axles, rng)


def _rough(sim: Simulated, wheel: Floats, spec: VehicleSpec, rng: Rng) -> Loss:
    return Loss(rough_road(sim, wheel, rng), np.zeros(wheel.shape, dtype=bool))


def _coarse(floor: float) -> Sensors:
    def sense(sim: Simulated, wheel: Floats, spec: VehicleSpec, rng: Rng) -> Loss:
        seen = tone_wheel(sim, wheel, floor, int(rng.choice((48, 60, 80, 100))), spec.radius_m)
        return Loss(seen, np.zeros(wheel.shape, dtype=bool))

    return sense


def _all_sensors(sim: Simulated, wheel: Floats, spec: VehicleSpec, rng: Rng) -> Loss:
    pulsed = _coarse(0.5)(sim, wheel, spec, rng).wheel
    rough = pulsed
    if rng.random() < 0.3:  # some roads of a vehicle's day; here its whole file
        rough = rough_road(sim, pulsed, rng)
    failed = fail(sim, rough, 2 * spec.axles, 0.08, rng)
    wild = absurd(sim, failed.wheel, 2 * spec.axles, rng)
    return Loss(wild.wheel, failed.lost | wild.lost)


#: Name -> nuisance, in the order of the table. ``none`` is the base logger.
NUISANCES: Final[dict[str, Nuisance]] = {
    "none": Nuisance(),
    "GNSS late": Nuisance(setup=_late),
    "GNSS 1 Hz": Nuisance(setup=_gnss(1.0)),
    "GNSS 4 or 5 Hz": Nuisance(setup=_gnss(None)),
    "speed is wheel mean": Nuisance(setup=_speed("wheels", None)),
    "speed is driven axle": Nuisance(setup=_speed("driven_axle", None)),
    "speed from driveline": Nuisance(setup=_speed("driven_axle", "driveline")),
    "no speed": Nuisance(setup=_without(True, False)),
    "no accelerometer": Nuisance(setup=_without(False, True)),
    "no accelerometer, GNSS late": Nuisance(setup=_late_without_accel),
    "wheels only": Nuisance(setup=_without(True, True)),
    "radii 2 %": Nuisance(setup=_radii),
    "bias and grade": Nuisance(drive=scenes.hilly, setup=_bias),
    "brake dive": Nuisance(setup=_dive),
    "accelerometer noise": Nuisance(setup=_shaky),
    "wheels 20 Hz": Nuisance(setup=_wheel_hz(20.0)),
    "wheels 10 Hz": Nuisance(setup=_wheel_hz(10.0)),
    "pressure 1 Hz": Nuisance(setup=_pressure),
    "accelerometer 25 Hz": Nuisance(setup=_accel_25),
    "sensor dropout": Nuisance(sensors=_dropout),
    "absurd values": Nuisance(sensors=_absurd),
    "tone wheel 0.5 m/s": Nuisance(sensors=_coarse(0.5), floor_mps=0.5),
    "tone wheel 1.5 m/s": Nuisance(sensors=_coarse(1.5), floor_mps=1.5),
    "rough road": Nuisance(sensors=_rough),
    "rate changes": Nuisance(setup=_rate_drops),
    "gap while braking": Nuisance(setup=_gap),
    "constant accelerometer": Nuisance(setup=_stuck_accel),
    "constant speed": Nuisance(setup=_stuck_gnss),
    "lock at the very end": Nuisance(drive=scenes.last_lock),
    "foot pumped": Nuisance(drive=scenes.pumped),
    "snubs": Nuisance(drive=scenes.snubs, setup=_bias),
    "stability control": Nuisance(drive=scenes.stability, setup=_source("esc"), stage=scenes.no_demand),
    "retarder slip": Nuisance(drive=scenes.retarder, setup=_flag),
    "lift axle up": Nuisance(drive=scenes.lifted, stage=scenes.lift_axle),
    "unsensed wheels": Nuisance(stage=scenes.unsensed),
    "reversing": Nuisance(drive=scenes.slow, setup=_speed("gnss", None), stage=scenes.reversing),
    "roller tester": Nuisance(drive=scenes.slow, stage=scenes.rollers),
    "tow": Nuisance(drive=scenes.light, stage=scenes.towed),
    "auto-hold": Nuisance(drive=scenes.hold, setup=_source("hold"), stage=scenes.no_demand),
    "emergency by a system": Nuisance(drive=scenes.emergency, setup=_source("aeb")),
    "recuperation": Nuisance(drive=scenes.recuperation, setup=_recuperation),
    "split friction": Nuisance(drive=scenes.split),
    "brake-limited laden": Nuisance(drive=scenes.brake_limited),
    "loose ground": Nuisance(drive=scenes.loose),
    "surface jump": Nuisance(drive=scenes.jump),
    "all together": Nuisance(drive=scenes.mixture, setup=_together, sensors=_all_sensors, floor_mps=0.5),
}
