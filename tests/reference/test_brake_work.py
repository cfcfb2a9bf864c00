"""Work of the friction brakes, through ingest: the published heat example, and the simulator's own energy balance.

The balance: heat of the brakes and of the slipping tyres, less the endurance brake's work, is what the friction brakes
took (tyre slip is not told apart). The product neglects the rotating parts (computed from the simulated wheels: 1.6 %
of the van's mass, 1.9 % of the truck's) and takes rolling and air drag from published ranges.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from a_few import a_few
from product_run import START_US, Published, Stop, recording

from fleetbrake.core.criteria import DEFAULT
from fleetbrake.core.units import G_MPS2, MPH
from fleetbrake.simulation.applications import TRUCK, VAN, Applications, VehicleSpec, applications
from fleetbrake.simulation.recordings import to_table
from fleetbrake.simulation.run import Simulated, simulate
from fleetbrake.simulation.sensors import Logger, record

Run = Callable[..., Published]
POUND_KG = 0.45359237
SPEEDS = (12.0, 16.0, 20.0, 24.0)


def test_the_published_heat_example_less_the_drag_of_its_stop(published: Run) -> None:
    """3 000 lb from 60 mph: 361 306.4 ft lb; ja.scribd.com/document/12801615, verified (g 32.15: 0.08 % too much).

    The example puts all of it into the brakes. At 6 m/s2 the stop is 59.9 m long: rolling takes 9.6 kJ and the air of a
    saloon 9.1 kJ of its 490 kJ (computed).
    """
    car = {"vehicle_id": "V1", "category": "M1", "axles": 2, "actuation": "hydraulic"}
    table = recording(Stop(60 * MPH, 6.0), "example", gross_mass_kg=3000 * POUND_KG, grade=0.0)
    row = published({"heat.parquet": table}, vehicles=[car]).events.loc["example"]
    energy = 361_306.4 * 1.3558179e-3
    path = (60 * MPH) ** 2 / 12.0
    rolling = DEFAULT.rolling_light * 3000 * POUND_KG * G_MPS2 * path / 1000
    air = 0.5 * DEFAULT.air_density_kgpm3 * DEFAULT.drag_area_m1 * (60 * MPH) ** 4 / 24.0 / 1000
    assert (rolling, air) == pytest.approx((9.6, 9.1), abs=0.1)
    assert row.friction_brake_kj == pytest.approx(energy - rolling - air, rel=0.002)
    assert abs(energy - row.friction_brake_kj) < 2.0 * row.friction_brake_se_kj


def simulated(spec: VehicleSpec, **set_to: Any) -> Applications:
    """Four everyday stops from different speeds."""
    apps = applications(spec, len(SPEEDS), load=0.7)
    apps["initial_speed_mps"] = SPEEDS
    for name, value in set_to.items():
        apps[name] = value
    return apps


def recorded(sim: Simulated, spec: VehicleSpec, **more: Callable[[Simulated], np.ndarray]) -> pa.Table:
    """What a logger writes of it, with the true mass and grade; ids 0, 1, ..."""
    logger = Logger(axles=spec.axles, radius_error=np.zeros(6))
    channels: dict[str, Any] = dict(record(sim, logger, np.random.default_rng(5)))
    channels["gross_mass_kg"] = sim.applications["mass_kg"][sim.event]
    channels["grade"] = sim.applications["grade"][sim.event]
    channels["accelerator_pct"] = np.where(sim.time_s < -0.4, 20.0, 0.0)
    channels |= {name: make(sim) for name, make in more.items()}
    ids = np.array([str(k) for k in range(len(sim.applications))], dtype=object)
    start = START_US + 600_000_000 * np.arange(len(ids), dtype=np.int64)
    table = to_table(channels, ids, start, sim)
    return table.add_column(1, "vehicle_id", pa.array(["V1"] * table.num_rows, pa.string()))


def endurance_j(sim: Simulated) -> np.ndarray:
    """Work of the endurance brake."""
    return np.add.reduceat(sim.endurance_force_n * sim.speed_mps / sim.rate_hz, sim.offsets[:-1])


def taken(sim: Simulated) -> np.ndarray:
    """What the friction brakes and the slipping tyres took, kJ."""
    return (sim.brake_heat_j + sim.slip_heat_j - endurance_j(sim)) / 1000.0


def register(spec: VehicleSpec, endurance: str = "none") -> list[dict[str, Any]]:
    """The vehicle in the register."""
    row = {"vehicle_id": "V1", "category": spec.category, "axles": spec.axles, "actuation": spec.actuation}
    return [{**row, "endurance_brake": endurance}]


@pytest.mark.parametrize(
    ("spec", "grade"), a_few([(spec, grade) for spec in (VAN, TRUCK) for grade in (0.0, -0.05, 0.04)], 0, 4, 5)
)
def test_friction_brakes_alone(published: Run, spec: VehicleSpec, grade: float) -> None:
    """Within 4 %: 2 % for the rotating parts, 2 % for what drag differs from the published middle."""
    sim = simulate(simulated(spec, grade=grade))
    row = published({"a.parquet": recorded(sim, spec)}, vehicles=register(spec)).events
    np.testing.assert_allclose(row.friction_brake_kj, taken(sim), rtol=0.04)
    assert (np.abs(row.friction_brake_kj - taken(sim)) < 2.0 * row.friction_brake_se_kj).all()
    # without the corrections it would be further off
    assert (row.brake_energy_kj > 1.01 * taken(sim)).all()


def test_recuperation(published: Run) -> None:
    """More than a quarter of the work is won back; what is left is known to 5 % of the whole."""
    sim = simulate(simulated(VAN, endurance_force_n=3000.0, friction_share=0.6))
    power = recorded(sim, VAN, regen_power_kw=lambda s: np.round(s.endurance_force_n * s.speed_mps / 1000.0, 1))
    row = published({"a.parquet": power}, vehicles=register(VAN, "regen")).events
    np.testing.assert_allclose(row.regen_kj, endurance_j(sim) / 1000.0, rtol=0.02)
    assert (row.regen_kj > 0.25 * row.brake_energy_kj).all()
    assert (np.abs(row.friction_brake_kj - taken(sim)) < 0.05 * row.brake_energy_kj).all()
    assert row.effectiveness.isna().all()  # it worked all the time: the pedal says nothing of the friction brakes


def test_a_retarder_that_never_worked_alone(published: Run) -> None:
    """The friction brakes worked with it, and nothing tells the shares: NULL."""
    sim = simulate(simulated(TRUCK, endurance_force_n=16000.0))
    lever = recorded(sim, TRUCK, endurance_torque_pct=lambda s: -np.round(100.0 * s.endurance_force_n / 20000.0))
    row = published({"a.parquet": lever}, vehicles=register(TRUCK, "retarder")).events
    assert (row.retarder_s > 0.9 * row.braking_s - 1.0).all()
    assert row.friction_brake_kj.isna().all()


def test_a_retarder_alone_leaves_nothing_to_the_friction_brakes(published: Run) -> None:
    """The pedal asks the retarder only, the brakes have no pressure: what is left is under 5 % of the whole."""
    alone = simulate(simulated(TRUCK, endurance_force_n=16000.0, friction_share=0.0, release_speed_mps=5.0))
    pull = recorded(alone, TRUCK, endurance_torque_pct=lambda s: -np.round(100.0 * s.endurance_force_n / 20000.0))
    row = published({"b.parquet": pull}, vehicles=register(TRUCK, "retarder")).events
    assert (taken(alone) < 0.03 * row.brake_energy_kj).all()
    assert (row.friction_brake_kj < 0.05 * row.brake_energy_kj).all()
