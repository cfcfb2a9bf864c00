"""Scenes that detection must tell apart: what the road, the driver and the vehicle's other systems do.

Each ``drive`` function overwrites the applications of a trial in place, ``(n,)`` of one vehicle. Each ``stage``
function changes recorded columns afterwards. Sizes: own choice unless a source stands beside them.
"""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.simulation.applications import Applications, VehicleSpec, set_load
from fleetbrake.simulation.loggers import Rows, Setup
from fleetbrake.simulation.run import Simulated
from fleetbrake.simulation.trials import full_pedal, lighten, put_on_road
from fleetbrake.simulation.tyre import DRY, GRAVEL, ICE, SNOW, WET

Rng = np.random.Generator
Channels = dict[str, npt.NDArray[Any]]
#: Changes the recorded columns of one vehicle; whether the traces are brake applications is ``braking``.
StageFunction = Callable[[Channels, Simulated, Rows, Setup, Rng], None]


class Stage:
    """What is done to the recorded columns. ``braking`` False: the traces are no brake applications.

    ``silent`` are the wheels whose sensors say nothing.
    """

    def __init__(self, change: StageFunction, *, braking: bool, silent: tuple[int, ...] = ()) -> None:
        self.change, self.braking, self.silent = change, braking, silent


def hilly(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Grades up to 6 %, on slippery roads up to 2 %, which no channel tells."""
    slippery = np.isin(apps["surface_left"], (SNOW, ICE))
    apps["grade"] = rng.uniform(-0.06, 0.06, len(apps)) * np.where(slippery, 0.33, 1.0)


def last_lock(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Full stops with the control at work: wheels lock only below its cut-off speed of 3 to 4 m/s, as they should."""
    full_pedal(apps, rng)
    apps["abs_on"], apps["abs_cutoff_mps"] = 1, rng.uniform(3.0, 4.0, len(apps))


def pumped(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """A foot that pumps once or twice a second."""
    apps["pump_hz"] = rng.uniform(0.9, 2.1, len(apps))
    apps["pedal_pct"] = rng.uniform(20.0, 70.0, len(apps))
    apps["abs_on"] = 1


def snubs(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Down a grade of 4 to 6 %: braked by 5 to 8 km/h, let go, again. From the driver handbooks (from memory)."""
    lighten(apps, spec, rng)
    n = len(apps)
    apps["initial_speed_mps"], apps["grade"] = rng.uniform(14.0, 20.0, n), -rng.uniform(0.04, 0.06, n)
    apps["release_speed_mps"] = apps["initial_speed_mps"] - rng.uniform(1.5, 2.3, n)
    apps["pedal_pct"] = rng.uniform(18.0, 30.0, n)


def stability(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Stability control brakes one wheel, swelling 2 to 4 times a second, without the pedal."""
    lighten(apps, spec, rng)
    n = len(apps)
    apps["pedal_pct"], apps["ramp_s"], apps["hold_s"] = 0.0, 0.1, rng.uniform(1.0, 2.5, n)
    apps["own_s"], apps["own_hz"] = apps["hold_s"], rng.choice((0.0, 2.0, 3.0, 4.0), n)
    apps["own_kpa"][np.arange(n), rng.integers(0, 4, n)] = rng.uniform(0.2, 0.45, n) * apps["full_pressure_kpa"]
    apps["surface_left"] = apps["surface_right"] = rng.choice((DRY, WET), n)


def retarder(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """A retarder makes the driven axle slip on snow or wet; the flag goes up, the retarder lets go, no valve acts."""
    lighten(apps, spec, rng)
    n = len(apps)
    road = rng.choice((WET, SNOW), n)
    put_on_road(apps, road, rng)
    apps["pedal_pct"], apps["ramp_s"], apps["ease_s"], apps["endurance_slip_off"] = 4.0, 0.08, 0.08, 0.15
    grip = np.where(road == SNOW, 0.19, 0.6) * apps["grip"] * apps["load_n"][:, 2:4].sum(axis=1)
    apps["endurance_force_n"] = grip * rng.uniform(0.6, 1.15, n)
    apps["hold_s"] = rng.uniform(3.0, 6.0, n)


def lifted(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """The third axle is up: no load, wheels stand. Vehicles with two axles stay as they are."""
    if spec.axles > 2:
        lifted_n = apps["load_n"][:, 4:6].copy()
        apps["load_n"][:, 2:4] += lifted_n
        apps["load_n"][:, 4:6] = 0.0


def slow(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Walking pace on a dry yard, light pedal."""
    lighten(apps, spec, rng)
    apps["initial_speed_mps"] = rng.uniform(1.6, 3.0, len(apps))


def light(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Gentle braking with everything sound."""
    lighten(apps, spec, rng)


def hold(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Standing, held by a system."""
    lighten(apps, spec, rng)
    apps["initial_speed_mps"], apps["hold_s"] = 0.0, 5.0


def emergency(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """A system brakes fully, nobody at the pedal."""
    full_pedal(apps, rng)


def recuperation(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Half or more of the deceleration comes from the driven axle's motor, up to 2 m/s2."""
    lighten(apps, spec, rng)
    n = len(apps)
    apps["endurance_force_n"] = apps["mass_kg"] * rng.uniform(0.8, 2.0, n)
    apps["friction_share"] = rng.choice((0.0, 0.5), n)
    apps["release_speed_mps"] = np.where(apps["friction_share"] == 0.0, 3.0, 0.0)


def split(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """One side grips, the other is on snow or ice."""
    n = len(apps)
    good, bad = rng.choice((DRY, WET), n), rng.choice((SNOW, ICE), n)
    left = rng.random(n) < 0.5
    put_on_road(apps, np.full(n, SNOW), rng)
    apps["surface_left"], apps["surface_right"] = np.where(left, good, bad), np.where(left, bad, good)


def brake_limited(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Laden, full pedal on a dry road, brakes that give 0.3 to 0.45 g at most: the friction is not used up."""
    full_pedal(apps, rng)
    n = len(apps)
    set_load(apps, spec, rng.uniform(0.85, 1.0, n))
    put_on_road(apps, np.full(n, DRY), rng)
    apps["factor"] *= (rng.uniform(0.3, 0.45, n) / spec.full_braking_rate)[:, None]


def loose(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Everything on gravel."""
    put_on_road(apps, np.full(len(apps), GRAVEL), rng)
    apps["pedal_pct"] = rng.choice((30.0, 60.0, 100.0), len(apps))


def jump(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """The road changes within the stop: dry to ice, dry to snow, snow to dry, wet to dry."""
    n = len(apps)
    pairs = np.array([(DRY, ICE), (DRY, SNOW), (SNOW, DRY), (WET, DRY)])[rng.integers(0, 4, n)]
    put_on_road(apps, pairs[:, 0], rng)
    apps["next_left"] = apps["next_right"] = pairs[:, 1]
    apps["initial_speed_mps"] = np.minimum(apps["initial_speed_mps"], 14.0)
    apps["jump_m"] = apps["initial_speed_mps"] * rng.uniform(0.3, 0.8, n)
    apps["pedal_pct"], apps["release_speed_mps"] = rng.choice((30.0, 60.0, 100.0), n), 0.0


def mixture(apps: Applications, spec: VehicleSpec, rng: Rng) -> None:
    """Half of the applications as drawn, the others one of the scenes each; all on grades."""
    for e in range(len(apps)):
        if rng.random() < 0.5:
            scene = MIXED[int(rng.integers(0, len(MIXED)))]
            scene(apps[e : e + 1], spec, rng)
    apps["grade"] += rng.uniform(-0.04, 0.04, len(apps)) * np.where(apps["surface_left"] == ICE, 0.3, 1.0)


MIXED: Final = (last_lock, pumped, snubs, retarder, recuperation, split, brake_limited, loose, jump)


# --- recorded columns


def _wheel(name: str) -> str:
    return f"wheel_speed_{name.lower()}_mps"


def _lift(channels: Channels, sim: Simulated, rows: Rows, setup: Setup, rng: Rng) -> None:
    if setup.axles > 2:
        for name in WHEELS[4:6]:
            channels[_wheel(name)] = np.zeros(rows.index.size)


def _unsense(channels: Channels, sim: Simulated, rows: Rows, setup: Setup, rng: Rng) -> None:
    last = 2 * setup.axles
    for name in WHEELS[last - 2 : last]:
        channels[_wheel(name)] = np.zeros(rows.index.size)


def _reverse(channels: Channels, sim: Simulated, rows: Rows, setup: Setup, rng: Rng) -> None:
    channels["speed_mps"] = -channels["speed_mps"]


def _roll(channels: Channels, sim: Simulated, rows: Rows, setup: Setup, rng: Rng) -> None:
    """Standing vehicle; the front axle turned by rollers at 2.5 to 5 km/h until the brake stops it."""
    channels["speed_mps"] = np.zeros(rows.index.size)
    channels["accel_long_mps2"] = np.round(rng.normal(0.0, 0.05, rows.index.size), 2)
    turned = float(rng.uniform(0.7, 1.4))
    stops = sim.time_s[rows.index] > 1.5
    for w, name in enumerate(WHEELS[: 2 * setup.axles]):
        noise = rng.normal(0.0, 0.01, rows.index.size)
        channels[_wheel(name)] = np.where(stops | (w > 1), 0.0, turned + noise)


def _tow(channels: Channels, sim: Simulated, rows: Rows, setup: Setup, rng: Rng) -> None:
    """Front axle on the tow truck: its wheels stand, the others roll; nobody touches the pedal."""
    channels["brake_pedal_pct"] = np.zeros(rows.index.size)
    for name in WHEELS[:2]:
        channels[_wheel(name)] = np.zeros(rows.index.size)


def _nothing(channels: Channels, sim: Simulated, rows: Rows, setup: Setup, rng: Rng) -> None:
    """Recorded as it is; only that nobody braked is said."""


no_demand: Final = Stage(_nothing, braking=False)
lift_axle: Final = Stage(_lift, braking=True, silent=(4, 5))
unsensed: Final = Stage(_unsense, braking=True, silent=(-2, -1))
reversing: Final = Stage(_reverse, braking=False)
rollers: Final = Stage(_roll, braking=False)
towed: Final = Stage(_tow, braking=False)
