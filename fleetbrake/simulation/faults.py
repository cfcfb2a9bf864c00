"""How each kind of fault enters the physical model: the same for the demo and for the proving fleet."""

import numpy as np
import numpy.typing as npt

from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.simulation.applications import WHEELS as WHEEL_COUNT
from fleetbrake.simulation.applications import Applications

Floats = npt.NDArray[np.float64]


def impose(apps: Applications, indicator: str, wheel: str | None, size: Floats, *, residual_share: float = 0.0) -> None:
    """Put a fault of ``size (E,)`` into the applications, in place; 0 is sound, ``wheel`` None the whole vehicle.

    What ``size`` means: ``side_imbalance``, ``low_brake_effectiveness``: share of the brake force lost;
    ``brake_drag``: time constant of the release in s, with ``residual_share`` of the full pressure never released;
    ``slow_response``: s added to the time constant, six tenths of it to the delay; ``brake_fade``: share lost per K;
    ``modulation_on_light_braking``: depth of the dip that the sensor shows once a turn; ``lockup_without_modulation``:
    any size puts the control out of work. ``wheel_speed_dropout`` is the logger's and changes nothing here.
    """
    sick = np.flatnonzero(size > 0.0)
    wheels = np.arange(WHEEL_COUNT) if wheel is None else np.array([WHEELS.index(wheel)])
    at = np.ix_(sick, wheels)
    if indicator in ("side_imbalance", "low_brake_effectiveness"):
        apps["factor"][at] *= (1.0 - size[sick])[:, None]
    elif indicator == "brake_drag":
        apps["release_tau_s"][at] = np.maximum(apps["release_tau_s"][at], size[sick][:, None])
        apps["residual_kpa"][at] = residual_share * apps["full_pressure_kpa"][sick][:, None]
    elif indicator == "slow_response":
        apps["delay_s"][sick] += 0.6 * size[sick]
        apps["build_tau_s"][sick] += size[sick]
    elif indicator == "brake_fade":
        apps["fade_per_k"][sick] = np.maximum(apps["fade_per_k"][sick], size[sick])
    elif indicator == "lockup_without_modulation":
        apps["abs_on"][at] = 0
    elif indicator == "modulation_on_light_braking":
        apps["sensor_dip"][at] = size[sick][:, None]
