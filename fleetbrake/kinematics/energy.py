"""Energy that a brake application took out of the vehicle."""

import numpy as np
import numpy.typing as npt

from fleetbrake.core.units import G_MPS2

Floats = npt.NDArray[np.float64]


def energy_taken_out(mass_kg: Floats, v_start_mps: Floats, v_end_mps: Floats, drop_m: Floats) -> Floats:
    """Kinetic energy lost plus potential energy given up, kJ ``(E,)``: ``m (v1^2 - v2^2) / 2 + m g drop``.

    ``drop_m`` is how much lower the vehicle ended (0 where the grade is unknown). NaN without a mass. Drag and
    rotating parts are not taken off: an upper figure for the friction brakes. Source: energy balance, standards sheet
    section 9 (verified).
    """
    return (0.5 * mass_kg * (v_start_mps**2 - v_end_mps**2) + mass_kg * G_MPS2 * drop_m) / 1000.0


def climb_rate(grade: Floats) -> Floats:
    """Sine of the slope angle from rise over run, elementwise."""
    return grade / np.sqrt(1.0 + grade * grade)
