"""Hidden faults of the proving fleet: what, where, since when, how much, until when."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.simulation.applications import Applications
from fleetbrake.simulation.faults import impose
from fleetbrake.simulation.proving.setting import STREAMS, Rng, Setting, Unit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FAULTY_SHARE: Final = 0.15  # of the vehicles: a fault that nobody has found by the end
REPAIRED_SHARE: Final = 0.03  # of the vehicles: one that was found by chance and repaired within the period
SECOND_SHARE: Final = 0.15  # of the faulty vehicles: a second, other fault

#: Size from light to strong, in the unit of ``simulation.faults.impose``; own choices. Where inspection rules name a
#: limit, the range reaches from below to well above it: 30 % imbalance is a major defect (MOT 1.2.2, verified).
SIZES: Final = {
    "low_brake_effectiveness": (0.15, 0.45),
    "side_imbalance": (0.25, 0.65),
    "brake_drag": (0.6, 3.0),
    "slow_response": (0.10, 0.40),
    "brake_fade": (0.002, 0.007),
    "lockup_without_modulation": (1.0, 1.0),
    "modulation_on_light_braking": (0.22, 0.45),
    "wheel_speed_dropout": (0.015, 0.15),
}
#: Faults of one wheel; a control that does nothing may also be the whole vehicle's.
OF_A_WHEEL: Final = (
    "side_imbalance",
    "brake_drag",
    "lockup_without_modulation",
    "modulation_on_light_braking",
    "wheel_speed_dropout",
)
NEEDS_CONTROL: Final = ("lockup_without_modulation", "modulation_on_light_braking")
#: Faults that come by and by; the others are there from one event to the next.
RAMPING: Final = ("low_brake_effectiveness", "side_imbalance", "brake_drag", "slow_response", "brake_fade")


@dataclass(frozen=True)
class Fault:
    """One fault. ``begin``, ``end`` are days of the period (end: day of the repair); ``ramp_days`` to its full size."""

    vehicle_id: str
    indicator: str
    wheel: str | None
    begin: int
    end: int | None
    size: float
    ramp_days: int
    residual_share: float  # of a drag: pressure never released, over full pressure
    signal: str  # of a sensor: what it gives where it is lost: zero, nothing, frozen

    def strength(self, day: Ints) -> Floats:
        """Size on each day ``(E,)``; 0 where there is no fault."""
        age = day - self.begin
        there = (age >= 0) & (True if self.end is None else day < self.end)
        grown = np.clip((age + 1) / self.ramp_days, 0.0, 1.0) if self.ramp_days else 1.0
        return np.asarray(np.where(there, self.size * grown, 0.0))


def draw_faults(setting: Setting) -> dict[str, list[Fault]]:
    """Faults of the fleet by vehicle, the kinds about equally often."""
    rng = np.random.default_rng([setting.seed, STREAMS["faults"]])
    hidden = round(FAULTY_SHARE * len(setting.units))
    repaired = round(REPAIRED_SHARE * len(setting.units))
    found: dict[str, list[Fault]] = {}
    kinds: list[str] = []
    for place, number in enumerate(rng.permutation(len(setting.units))[: hidden + repaired]):
        unit = setting.units[int(number)]
        mine: list[Fault] = []
        for _ in range(2 if place < hidden and rng.random() < SECOND_SHARE else 1):
            code = _next_kind(kinds, unit, [f.indicator for f in mine], rng)
            mine.append(_fault(unit, code, setting.size.days, place >= hidden, rng))
        found[unit.vehicle_id] = mine
    return found


def _next_kind(kinds: list[str], unit: Unit, had: Sequence[str], rng: Rng) -> str:
    """A kind that this vehicle can have, from a shuffled deck that is dealt out before it is shuffled again."""
    for _ in range(2):
        for place, code in enumerate(kinds):
            if code not in had and (unit.control or code not in NEEDS_CONTROL):
                return kinds.pop(place)
        kinds.extend(str(code) for code in rng.permutation(list(SIZES)))
    raise AssertionError("a full deck holds a kind for every vehicle")


def _fault(unit: Unit, code: str, days: int, repaired: bool, rng: Rng) -> Fault:
    latest = max(1, days // 2 if repaired else days - 5)
    begin = int(rng.integers(0, latest))
    end = min(begin + int(rng.integers(8, 25)), days - 1) if repaired else None
    ramp = int(rng.integers(7, 29)) if code in RAMPING and rng.random() < 0.5 else 0
    wheel = WHEELS[int(rng.integers(2 * unit.spec.axles))] if code in OF_A_WHEEL else None
    if code == "lockup_without_modulation" and rng.random() < 0.3:
        wheel = None
    size = float(rng.uniform(*SIZES[code]))
    signal = str(rng.choice(("zero", "nothing", "frozen")))
    return Fault(unit.vehicle_id, code, wheel, begin, end, size, ramp, rng.uniform(0.003, 0.015), signal)


def apply(apps: Applications, faults: Sequence[Fault], day: Ints) -> None:
    """Put the faults into the applications of those days, in place."""
    for fault in faults:
        impose(apps, fault.indicator, fault.wheel, fault.strength(day), residual_share=fault.residual_share)
