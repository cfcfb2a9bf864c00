"""What is simulated: brake applications as one structured NumPy array, a field for each parameter.

``applications(spec, n)`` fills the fields from a vehicle's build; a scenario then overwrites what it wants, whole
columns at a time: ``apps["pedal_pct"] = 35.0``. Per-wheel fields have shape ``(n, 6)``: 1L, 1R, 2L, 2R, 3L, 3R.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fleetbrake.core.units import G_MPS2
from fleetbrake.simulation.tyre import DRY, peak_friction

WHEELS: Final = 6
AXLES: Final = 3

Applications = npt.NDArray[np.void]

#: Fields: SI units, kPa for pressure, % for the pedal; the unit ends the name.
APPLICATION: Final = np.dtype(
    [
        # journey and road
        ("initial_speed_mps", "f8"),
        ("grade", "f8"),
        ("grip", "f8"),  # factor on the tyre curve: tyre compound, temperature, polish
        ("surface_left", "i8"),
        ("surface_right", "i8"),
        ("jump_m", "f8"),  # the road changes to the next surfaces this far after the onset; 0: it does not
        ("next_left", "i8"),
        ("next_right", "i8"),
        ("limit_s", "f8"),  # recording ends at the latest this long after the onset
        # demand: ramp, hold, release; pumped if pump_hz > 0
        ("pedal_pct", "f8"),
        ("ramp_s", "f8"),
        ("hold_s", "f8"),
        ("ease_s", "f8"),
        ("release_speed_mps", "f8"),  # the foot lifts below this speed; 0: held to standstill
        ("pump_hz", "f8"),
        ("friction_share", "f8"),  # share of the demand given to the friction brakes
        ("endurance_force_n", "f8"),  # retarder or recuperation at the driven axle
        ("endurance_axle", "i8"),
        ("endurance_slip_off", "f8"),  # slip of that axle at which it is let go; 0: nobody watches it
        # stability control: pressure at single wheels without the pedal, swelling own_hz times a second if > 0
        ("own_kpa", "f8", (WHEELS,)),
        ("own_s", "f8"),
        ("own_hz", "f8"),
        # body
        ("mass_kg", "f8"),
        ("air_drag_kg_per_m", "f8"),
        ("cg_height_m", "f8"),
        ("wheelbase_m", "f8"),
        ("track_m", "f8"),
        ("yaw_inertia_kgm2", "f8"),
        ("trailer_mass_kg", "f8"),
        ("trailer_gain_n_per_kpa", "f8"),
        # brake actuation and anti-lock control
        ("full_pressure_kpa", "f8"),
        ("delay_s", "f8"),
        ("build_tau_s", "f8"),
        ("fade_per_k", "f8"),
        ("abs_cutoff_mps", "f8"),
        ("abs_valve_s", "f8"),
        ("abs_dump_per_s", "f8"),
        ("abs_build_per_s", "f8"),
        ("abs_step_s", "f8"),
        ("select_low", "i8", (AXLES,)),
        # wheels
        ("load_n", "f8", (WHEELS,)),  # 0: no such wheel, or its axle is raised
        ("radius_m", "f8", (WHEELS,)),
        ("inertia_kgm2", "f8", (WHEELS,)),
        ("gain_nm_per_kpa", "f8", (WHEELS,)),
        ("factor", "f8", (WHEELS,)),  # 1 sound, less: weak brake
        ("residual_kpa", "f8", (WHEELS,)),  # dragging brake
        ("release_tau_s", "f8", (WHEELS,)),
        ("heat_capacity_j_per_k", "f8", (WHEELS,)),
        ("abs_on", "i8", (WHEELS,)),
        ("sensor_dip", "f8", (WHEELS,)),  # depth of one dip a wheel turn: damaged tone ring
    ],
    align=True,
)


@dataclass(frozen=True)
class VehicleSpec:
    """How a vehicle is built. Tuples run over axles from the front; loads are the axle's, masses in kg."""

    name: str
    category: str
    actuation: str
    kerb_kg: tuple[float, ...]
    laden_kg: tuple[float, ...]
    wheelbase_m: float
    cg_height_m: float
    track_m: float
    radius_m: float
    inertia_kgm2: tuple[float, ...]
    full_pressure_kpa: float
    full_braking_rate: float  # laden, at full pressure, over g, if the road gave it
    air_drag_kg_per_m: float
    grip: float  # factor on the Burckhardt curves, which are for car tyres
    rear_select_low: bool

    @property
    def axles(self) -> int:
        """Number of axles."""
        return len(self.laden_kg)

    @property
    def max_mass_kg(self) -> float:
        """Greatest mass of the unit."""
        return sum(self.laden_kg)


VAN: Final = VehicleSpec(
    "van", "N1", "hydraulic", (1150, 850), (1500, 2000), 3.6, 0.75, 1.7, 0.34, (1.4, 1.4), 12000, 1.35, 1.2, 0.85, True
)
LIGHT_TRUCK: Final = VehicleSpec(
    "light truck", "N2", "air", (2600, 2000), (4200, 7800), 4.4, 1.1, 2.0, 0.46, (9, 17), 850, 0.80, 3.0, 0.68, True
)
TRUCK: Final = VehicleSpec(
    "truck",
    "N3",
    "air",
    (4700, 2700, 2100),
    (8000, 10500, 7500),
    4.9,
    1.3,
    2.05,
    0.5,
    (13, 24, 13),
    850,
    0.75,
    3.6,
    0.66,
    True,
)
BUS: Final = VehicleSpec(
    "bus", "M3", "air", (4300, 7200), (6600, 11400), 5.9, 1.1, 2.1, 0.48, (12, 22), 850, 0.80, 3.2, 0.68, False
)
TRACTOR: Final = VehicleSpec(
    "tractor",
    "N3",
    "air",
    (5200, 2600, 1600),
    (7500, 9500, 7000),
    3.9,
    1.1,
    2.05,
    0.5,
    (13, 24, 13),
    850,
    0.75,
    4.0,
    0.66,
    False,
)


def _per_wheel(per_axle: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Axle values ``(..., axles)`` to wheel values ``(..., 6)``, both sides alike, 0 where no axle."""
    values = np.atleast_1d(np.asarray(per_axle, dtype=float))
    missing = [(0, 0)] * (values.ndim - 1) + [(0, AXLES - values.shape[-1])]
    return np.repeat(np.pad(values, missing), 2, axis=-1)


def wheel_gain(spec: VehicleSpec) -> npt.NDArray[np.float64]:
    """Brake torque per pressure at each wheel, ``(6,)`` in N m/kPa, shared like the laden axle loads at 0.5 g."""
    loads = np.array(spec.laden_kg, dtype=float)
    transfer = 0.5 * loads.sum() * spec.cg_height_m / spec.wheelbase_m
    dynamic = loads.copy()
    dynamic[0] += transfer
    dynamic[1:] -= transfer * loads[1:] / loads[1:].sum()
    force = spec.full_braking_rate * G_MPS2 * dynamic
    return _per_wheel(force / 2.0 * spec.radius_m / spec.full_pressure_kpa)


def set_load(apps: Applications, spec: VehicleSpec, share: npt.ArrayLike) -> None:
    """Load the vehicle: ``share`` of the payload, 0 empty to 1 laden, one for all or ``(n,)``."""
    part = np.broadcast_to(np.asarray(share, dtype=float), apps.shape)[:, None]
    kerb, laden = np.array(spec.kerb_kg, dtype=float), np.array(spec.laden_kg, dtype=float)
    axle_kg = kerb + part * (laden - kerb)
    apps["load_n"] = _per_wheel(axle_kg * G_MPS2 / 2.0)
    apps["mass_kg"] = axle_kg.sum(axis=1)


def applications(spec: VehicleSpec, n: int, *, load: npt.ArrayLike = 0.5) -> Applications:
    """``n`` sound, straight applications on a dry level road from 15 m/s to standstill; overwrite what differs."""
    apps = np.zeros(n, dtype=APPLICATION)
    air = spec.actuation != "hydraulic"
    set_load(apps, spec, load)
    values: dict[str, npt.ArrayLike] = {
        "initial_speed_mps": 15.0,
        "grip": spec.grip,
        "surface_left": DRY,
        "surface_right": DRY,
        "limit_s": 45.0,
        "pedal_pct": 25.0,
        "ramp_s": 0.4,
        "hold_s": 1e9,
        "ease_s": 0.4,
        "friction_share": 1.0,
        "endurance_axle": 1,
        "air_drag_kg_per_m": spec.air_drag_kg_per_m,
        "cg_height_m": spec.cg_height_m,
        "wheelbase_m": spec.wheelbase_m,
        "track_m": spec.track_m,
        "yaw_inertia_kgm2": apps["mass_kg"] * (0.4 * spec.wheelbase_m) ** 2 * 1.3,
        "full_pressure_kpa": spec.full_pressure_kpa,
        "delay_s": 0.12 if air else 0.05,
        "build_tau_s": 0.17 if air else 0.085,
        "fade_per_k": 0.0002,
        "abs_cutoff_mps": 4.0,
        "abs_valve_s": 0.03 if air else 0.01,
        "abs_dump_per_s": 9.0 if air else 14.0,
        "abs_build_per_s": 1.5 if air else 2.8,
        "abs_step_s": 0.05 if air else 0.025,
        "radius_m": spec.radius_m,
        "inertia_kgm2": _per_wheel(spec.inertia_kgm2),
        "gain_nm_per_kpa": wheel_gain(spec),
        "factor": 1.0,
        "release_tau_s": 0.18 if air else 0.09,
        # the rubbing layer that warms within one application: about 2.5 kg of iron a wheel of a van, 8 kg of a
        # heavy vehicle, 0.5 kJ/(kg K)
        "heat_capacity_j_per_k": 4000.0 if air else 1250.0,
        "abs_on": 1,
    }
    for name, value in values.items():
        apps[name] = value
    if spec.rear_select_low:
        apps["select_low"][:, 1:] = 1
    return apps


def trailer_limit_n(apps: Applications) -> npt.NDArray[np.float64]:
    """Greatest brake force of the trailer ``(n,)`` in N: 85 % of the poorer side's peak, as its control keeps it."""
    peak = np.minimum(peak_friction(apps["surface_left"]), peak_friction(apps["surface_right"]))
    return np.asarray(0.85 * peak * apps["grip"] * apps["trailer_mass_kg"] * G_MPS2)
