"""Applications on which detection is tried: a vehicle's brakes, roads and drivers, drawn anew for every seed.

Sizes are own choices within what the trade knows, except where a source stands beside them.
"""

from typing import Final

import numpy as np

from fleetbrake.simulation.applications import BUS, TRUCK, VAN, Applications, VehicleSpec, applications, set_load
from fleetbrake.simulation.tyre import DRY, GRAVEL, ICE, SNOW, WET

#: The vehicles of a trial; each gets a file of its own.
SPECS: Final = (VAN, BUS, TRUCK)

ROADS: Final = (DRY, WET, SNOW, ICE, GRAVEL)
ROAD_SHARE: Final = (0.34, 0.26, 0.16, 0.10, 0.14)
#: Greatest speed on each road, m/s: nobody drives fast where a stop takes half a minute.
FASTEST: Final = {DRY: 25.0, WET: 23.0, SNOW: 13.0, ICE: 8.0, GRAVEL: 16.0}
PEDALS_PCT: Final = (10.0, 16.0, 22.0, 30.0, 45.0, 70.0, 100.0)
#: Control at work, failed on one wheel, absent.
CONTROL_SHARE: Final = (0.55, 0.2, 0.25)


def trial(spec: VehicleSpec, n: int, rng: np.random.Generator) -> Applications:
    """``n`` applications of one vehicle: empty to laden, all roads, gentle to full pedal, control at work or not."""
    apps = applications(spec, n, load=rng.random(n))
    # controls differ: 4 to 12 cycles a second hydraulic, 2 to 5 air (common practice, no source)
    slowest = 0.05 if spec.actuation != "hydraulic" else -0.15
    pace = float(np.exp(rng.uniform(slowest, 0.45)))
    apps["abs_dump_per_s"] *= pace
    apps["abs_build_per_s"] *= pace
    apps["abs_step_s"] /= pace
    put_on_road(apps, rng.choice(ROADS, n, p=ROAD_SHARE), rng)
    apps["grip"] *= rng.uniform(0.9, 1.1, n)
    apps["pedal_pct"] = rng.choice(PEDALS_PCT, n)
    apps["ramp_s"] = rng.uniform(0.12, 0.6, n)
    lets_go = rng.random(n) < 0.25
    apps["release_speed_mps"] = np.where(lets_go, apps["initial_speed_mps"] * rng.uniform(0.25, 0.6, n), 0.0)
    apps["hold_s"] = np.where(apps["pedal_pct"] < 15.0, 12.0, 25.0)
    control = rng.choice(3, n, p=CONTROL_SHARE)
    apps["abs_on"][control == 2] = 0
    failed = np.flatnonzero(control == 1)
    apps["abs_on"][failed, rng.integers(0, 2 * spec.axles, failed.size)] = 0
    apps["factor"] *= rng.normal(1.0, 0.03, (n, 6))
    return apps


def put_on_road(apps: Applications, road: np.ndarray, rng: np.random.Generator) -> None:
    """Both sides on ``road`` ``(n,)``, at a speed that people drive there; let go at the same share of it."""
    n = len(apps)
    apps["surface_left"] = apps["surface_right"] = road
    fastest = np.array([FASTEST[int(code)] for code in road])
    lets_go_at = apps["release_speed_mps"] / apps["initial_speed_mps"]
    apps["initial_speed_mps"] = fastest * rng.uniform(0.45, 1.0, n)
    apps["release_speed_mps"] = lets_go_at * apps["initial_speed_mps"]


def full_pedal(apps: Applications, rng: np.random.Generator) -> None:
    """A quick, full application held to standstill."""
    n = len(apps)
    apps["pedal_pct"], apps["ramp_s"] = 100.0, rng.uniform(0.1, 0.25, n)
    apps["release_speed_mps"], apps["hold_s"] = 0.0, 25.0


def lighten(apps: Applications, spec: VehicleSpec, rng: np.random.Generator) -> None:
    """A light application on a dry road with everything sound: nothing may lock or cycle."""
    n = len(apps)
    set_load(apps, spec, rng.uniform(0.3, 1.0, n))
    put_on_road(apps, np.full(n, DRY), rng)
    apps["pedal_pct"], apps["abs_on"], apps["release_speed_mps"] = rng.uniform(10.0, 22.0, n), 1, 0.0


def quicken_on_ice(apps: Applications) -> None:
    """A control for slippery roads too: valves that answer what the road bore last keep two cycles a second.

    The demo's control, tuned on paved roads, needs up to 0.8 s a cycle on ice, under every published rate. Only where
    all wheels stand on it for the whole stop: on grip such valves would chatter.
    """
    for road, dump, build, valve in ((SNOW, 1.5, 2.5, 1.0), (ICE, 2.0, 3.0, 0.5)):
        there = (apps["surface_left"] == road) & (apps["surface_right"] == road) & (apps["jump_m"] == 0.0)
        apps["abs_dump_per_s"][there] *= dump
        apps["abs_build_per_s"][there] *= build
        apps["abs_valve_s"][there] *= valve
