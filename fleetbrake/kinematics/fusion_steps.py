"""The arithmetic of the smoother: three states and their symmetric covariance in nine plain numbers.

State: speed, acceleration, bias. ``State`` is ``(x0, x1, x2, p00, p01, p02, p11, p12, p22)``. Written out, so that a
sample's filter stays in the processor's registers.
"""

import numpy as np
import numpy.typing as npt

from fleetbrake.kinematics.kernel import inlined

Floats = npt.NDArray[np.float64]
State = tuple[float, float, float, float, float, float, float, float, float]
Six = tuple[float, float, float, float, float, float]


@inlined
def ahead(s: State, dt: float, wander: float, bias_step: float) -> State:
    """The state one step of ``dt`` later; its acceleration wanders, its bias may step by a variance ``bias_step``."""
    x0, x1, x2, p00, p01, p02, p11, p12, p22 = s
    q01 = p01 + dt * p11
    q00 = p00 + (dt * (p01 + q01) + wander * dt**3 * (1.0 / 3.0))
    return (
        x0 + dt * x1, x1, x2,
        q00, q01 + wander * dt**2 / 2.0, p02 + dt * p12, p11 + wander * dt, p12, p22 + bias_step,
    )  # fmt: skip


@inlined
def _told(s: State, g0: float, g1: float, g2: float, variance: float, off: float) -> State:
    """The state after a reading that is ``off`` by so much; ``g`` is its covariance with the state."""
    x0, x1, x2, p00, p01, p02, p11, p12, p22 = s
    share = 1.0 / variance
    k0, k1, k2 = g0 * share, g1 * share, g2 * share
    return (
        x0 + k0 * off, x1 + k1 * off, x2 + k2 * off,
        p00 - k0 * g0, p01 - k0 * g1, p02 - k0 * g2, p11 - k1 * g1, p12 - k1 * g2, p22 - k2 * g2,
    )  # fmt: skip


@inlined
def by_sensor(s: State, h: float, off: float, noise: float) -> State:
    """After a reading of ``h`` times the acceleration plus the bias, of variance ``noise``."""
    _, _, _, _, p01, p02, p11, p12, p22 = s
    g0, g1, g2 = p01 * h + p02, p11 * h + p12, p12 * h + p22
    return _told(s, g0, g1, g2, h * g1 + g2 + noise, off)


@inlined
def by_speed(s: State, h0: float, h1: float, off: float, noise: float) -> State:
    """After a reading of ``h0`` times the speed plus ``h1`` times the acceleration, of variance ``noise``."""
    _, _, _, p00, p01, p02, p11, p12, _ = s
    g0, g1, g2 = p00 * h0 + p01 * h1, p01 * h0 + p11 * h1, p02 * h0 + p12 * h1
    return _told(s, g0, g1, g2, h0 * g0 + h1 * g1 + noise, off)


@inlined
def _inverse(s: State) -> Six:
    """Inverse of the covariance (00, 01, 02, 11, 12, 22); a bias that is known for sure is left alone."""
    _, _, _, p00, p01, p02, p11, p12, p22 = s
    if p22 <= 0.0:
        d = 1.0 / (p00 * p11 - p01 * p01)
        return p11 * d, -p01 * d, 0.0, p00 * d, 0.0, 0.0
    c00 = p11 * p22 - p12 * p12
    c01 = p02 * p12 - p01 * p22
    c02 = p01 * p12 - p02 * p11
    d = 1.0 / (p00 * c00 + p01 * c01 + p02 * c02)
    return (
        c00 * d, c01 * d, c02 * d, (p00 * p22 - p02 * p02) * d, (p01 * p02 - p00 * p12) * d, (p00 * p11 - p01 * p01) * d
    )  # fmt: skip


@inlined
def _gain_row(b0: float, b1: float, b2: float, q: Six) -> tuple[float, float, float]:
    q00, q01, q02, q11, q12, q22 = q
    return b0 * q00 + b1 * q01 + b2 * q02, b0 * q01 + b1 * q11 + b2 * q12, b0 * q02 + b1 * q12 + b2 * q22


@inlined
def smoothed(s: State, later: State, guess: State, dt: float) -> State:
    """Rauch-Tung-Striebel: the filtered ``s`` by the smoothed state a step ``later``, of which it said ``guess``."""
    x0, x1, x2, p00, p01, p02, p11, p12, p22 = s
    inverse = _inverse(guess)
    a0, a1, a2 = _gain_row(p00 + dt * p01, p01, p02, inverse)
    b0, b1, b2 = _gain_row(p01 + dt * p11, p11, p12, inverse)
    c0, c1, c2 = _gain_row(p02 + dt * p12, p12, p22, inverse)
    e0, e1, e2 = later[0] - guess[0], later[1] - guess[1], later[2] - guess[2]
    d00, d01, d02 = later[3] - guess[3], later[4] - guess[4], later[5] - guess[5]
    d11, d12, d22 = later[6] - guess[6], later[7] - guess[7], later[8] - guess[8]
    # gain times difference, row by row, then times the gain again
    f0, f1, f2 = a0 * d00 + a1 * d01 + a2 * d02, a0 * d01 + a1 * d11 + a2 * d12, a0 * d02 + a1 * d12 + a2 * d22
    g0, g1, g2 = b0 * d00 + b1 * d01 + b2 * d02, b0 * d01 + b1 * d11 + b2 * d12, b0 * d02 + b1 * d12 + b2 * d22
    h0, h1, h2 = c0 * d00 + c1 * d01 + c2 * d02, c0 * d01 + c1 * d11 + c2 * d12, c0 * d02 + c1 * d12 + c2 * d22
    return (
        x0 + a0 * e0 + a1 * e1 + a2 * e2, x1 + b0 * e0 + b1 * e1 + b2 * e2, x2 + c0 * e0 + c1 * e1 + c2 * e2,
        p00 + (f0 * a0 + f1 * a1 + f2 * a2), p01 + (f0 * b0 + f1 * b1 + f2 * b2), p02 + (f0 * c0 + f1 * c1 + f2 * c2),
        p11 + (g0 * b0 + g1 * b1 + g2 * b2), p12 + (g0 * c0 + g1 * c1 + g2 * c2), p22 + (h0 * c0 + h1 * c1 + h2 * c2),
    )  # fmt: skip
