"""The figures of one event as a person reads them: in words, with units, and why a figure is missing."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pandas as pd

from fleetbrake.reports import look
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.source import frame

Row = dict[str, Any]


@dataclass(frozen=True)
class Fact:
    """One figure: its group, name and text with unit; ``why`` says why it is missing, else it is empty."""

    group: str
    name: str
    text: str
    why: str = ""


@dataclass(frozen=True)
class _Asked:
    """How one fact is read: from the column ``column`` (whose row of ``observability`` says why it is missing)."""

    group: str
    name: str
    column: str
    text: Callable[[Row, Measures], str]
    #: Shown of what is no brake application too.
    always: bool = False


def _in(quantity: str, column: str, digits: int | None = None) -> Callable[[Row, Measures], str]:
    return lambda row, measures: measures.text(quantity, row.get(column), digits)


def _plain(column: str, digits: int, unit: str = "") -> Callable[[Row, Measures], str]:
    return lambda row, _: _figure(row.get(column), digits, unit)


def _figure(value: object, digits: int, unit: str = "") -> str:
    shown = look.number(value, digits)
    return shown if shown == look.MISSING or not unit else f"{shown} {unit}"


def _pm(quantity: str, value: str, error: str, digits: int) -> Callable[[Row, Measures], str]:
    def text(row: Row, measures: Measures) -> str:
        if row.get(value) is None:
            return look.MISSING
        unit = measures.unit(quantity)
        width = "" if row.get(error) is None else f" ± {look.number(unit.factor * row[error], digits)}"
        return f"{look.number(measures.of(quantity, row[value]), digits)}{width} {unit.label}"

    return text


def _surface(row: Row, _: Measures) -> str:
    shown = look.SURFACE_TEXT.get(str(row.get("surface")), look.text(row.get("surface")))
    return f"{shown}{likelihood(row.get('surface_probability'))}"


def likelihood(chance: float | None) -> str:
    """The surface's probability in brackets after a space; never as certainty; nothing where there is none."""
    if chance is None or pd.isna(chance):
        return ""
    return " (likelihood over 99 %)" if chance > 0.99 else f" (likelihood {look.whole(100.0 * chance)} %)"


def _friction(row: Row, _: Measures) -> str:
    both = [look.number(row.get(c), 2) for c in ("friction_peak", "friction_sliding")]
    return look.MISSING if both == [look.MISSING] * 2 else " / ".join(both)


def _build_up(row: Row, _: Measures) -> str:
    both = [look.number(row.get(c), 2) for c in ("build_up_s", "release_s")]
    return look.MISSING if both == [look.MISSING] * 2 else f"{both[0]} / {both[1]} s"


def _allowed(row: Row, _: Measures) -> str:
    """What the certification rule says of the lockups: information, never a verdict on a vehicle in use."""
    if row.get("lockup_allowed") is None:
        return look.MISSING
    said = "allowed" if row["lockup_allowed"] else "not allowed"
    return f"{said} ({look.text(row.get('lockup_rule'))}); no verdict on a vehicle in use"


def _pattern(row: Row, _: Measures) -> str:
    """Which wheels modulated, and what they make together."""
    pattern = look.text(row.get("modulation_wheels")).replace("_", " ")
    if pattern == look.MISSING:
        return look.MISSING if row.get("modulation") is None or row["modulation"] else "none"
    return f"{pattern}: {look.text(row.get('wheels_modulated')).replace('+', ', ')}"


def _cycles(row: Row, _: Measures) -> str:
    if row.get("modulation_cycles") is None:
        return look.MISSING
    cycles = f"{look.whole(row['modulation_cycles'])} cycles"
    return cycles if row.get("modulation_hz") is None else f"{cycles}, {look.number(row['modulation_hz'])} Hz"


_FLAG_TEXT = {
    "both": "both show modulation",
    "flag_only": "flag raised, wheels show none",
    "wheels_only": "wheels show it, flag not raised",
    "neither": "neither shows modulation",
}


def _rates(row: Row, _: Measures) -> str:
    columns = ("sample_rate_hz", "wheel_rate_hz", "speed_rate_hz", "demand_rate_hz")
    return " / ".join(look.whole(row.get(c)) for c in columns) + " Hz"


def _demand(row: Row, measures: Measures) -> str:
    kind, peak = row.get("demand_kind"), row.get("demand_peak")
    if kind == "pressure":
        return f"pressure, {measures.text('pressure', peak)}"
    if kind == "pedal":
        return f"pedal, {_figure(peak, 0, '%')}"
    return {"switch": "stop lamp only", "deceleration": "the deceleration itself"}.get(str(kind), look.MISSING)


def _yes(column: str) -> Callable[[Row, Measures], str]:
    return lambda row, _: look.MISSING if row.get(column) is None else look.yes_no(row[column])


def _peak(row: Row, measures: Measures) -> str:
    """The peak; where the rate hides it, what it was at least."""
    least = row.get("peak_decel_at_least_mps2")
    if row.get("peak_decel_mps2") is None and least is not None:
        return f"at least {measures.text('decel', least)}"
    return measures.text("decel", row.get("peak_decel_mps2"))


MOTION, ROAD, DEMAND, WHEELS, VEHICLE, SIGNALS = (
    "Motion", "Road and grip", "Demand and answer", "Wheels", "Load and work", "Recording",
)  # fmt: skip

_ASKED: Final = (
    _Asked(MOTION, "Initial speed", "initial_speed_mps", _in("speed", "initial_speed_mps", 1), always=True),
    _Asked(MOTION, "Final speed", "final_speed_mps", _in("speed", "final_speed_mps", 1), always=True),
    _Asked(MOTION, "Braking begins, from the first sample", "onset_s", _plain("onset_s", 2, "s")),
    _Asked(MOTION, "Release or standstill, from the first sample", "end_s", _plain("end_s", 2, "s")),
    _Asked(MOTION, "Braking time", "braking_s", _plain("braking_s", 2, "s")),
    _Asked(MOTION, "Braking distance", "braking_distance_m",
           _pm("length", "braking_distance_m", "braking_distance_se_m", 1)),
    _Asked(MOTION, "Peak deceleration (0.2 s mean)", "peak_decel_mps2", _peak),
    _Asked(MOTION, "Mean deceleration", "mean_decel_mps2", _in("decel", "mean_decel_mps2")),
    _Asked(MOTION, "Mean fully developed deceleration", "mfdd_mps2", _in("decel", "mfdd_mps2")),
    _Asked(MOTION, "Greatest rise of deceleration", "peak_jerk_mps3", _in("jerk", "peak_jerk_mps3")),
    _Asked(ROAD, "Surface", "surface", _surface),
    _Asked(ROAD, "Friction used (of g)", "friction_used", _plain("friction_used", 2)),
    _Asked(ROAD, "Friction: peak / sliding", "friction_peak", _friction),
    _Asked(ROAD, "Distance that lockups cost", "lockup_extra_m",
           _pm("length", "lockup_extra_m", "lockup_extra_se_m", 1)),
    _Asked(ROAD, "Grade (rise over run)", "grade",
           lambda row, _: _figure(None if row.get("grade") is None else 100.0 * row["grade"], 1, "%"), always=True),
    _Asked(ROAD, "Air temperature", "air_temp_c", _in("temperature", "air_temp_c"), always=True),
    _Asked(DEMAND, "Demand read from, greatest", "demand_kind", _demand),
    _Asked(DEMAND, "Emergency application", "emergency_application", _yes("emergency_application")),
    _Asked(DEMAND, "Build-up / release time", "build_up_s", _build_up),
    _Asked(DEMAND, "Deceleration under held demand", "held_decel_mps2", _in("decel", "held_decel_mps2")),
    _Asked(WHEELS, "Longest lockup of a wheel", "lockup", _plain("lockup_s", 2, "s")),
    _Asked(WHEELS, "Cut-off speed used", "cutoff_speed_mps", _in("speed", "cutoff_speed_mps", 1)),
    _Asked(WHEELS, "What the rules for new vehicles would say of it", "lockup_allowed", _allowed),
    _Asked(WHEELS, "Near misses (caught before locking)", "near_lockups", _plain("near_lockups", 0)),
    _Asked(WHEELS, "Modulation of the wheel with most", "modulation", _cycles),
    _Asked(WHEELS, "Wheels that modulated", "modulation", _pattern),
    _Asked(WHEELS, "The vehicle's own flag and the wheels", "flag_and_wheels",
           lambda row, _: _FLAG_TEXT.get(str(row.get("flag_and_wheels")), look.MISSING)),
    _Asked(WHEELS, "Anti-lock warning lamp lit", "abs_warning_lamp", _yes("abs_warning_lamp"), always=True),
    _Asked(VEHICLE, "Mass", "gross_mass_kg", _in("mass", "gross_mass_kg"), always=True),
    _Asked(VEHICLE, "Category used for the thresholds", "category",
           lambda row, _: look.text(row.get("category")), always=True),
    _Asked(VEHICLE, "Brake energy", "brake_energy_kj", _in("energy", "brake_energy_kj")),
    _Asked(VEHICLE, "Work of the friction brakes", "friction_brake_kj",
           _pm("energy", "friction_brake_kj", "friction_brake_se_kj", 0)),
    _Asked(VEHICLE, "Energy recuperated", "regen_kj", _in("energy", "regen_kj")),
    _Asked(VEHICLE, "Retarder or engine brake at work", "retarder_s", _plain("retarder_s", 1, "s")),
    _Asked(SIGNALS, "Rates: rows / wheels / speed / demand", "samples", _rates, always=True),
    _Asked(SIGNALS, "Samples", "samples", _plain("samples", 0), always=True),
    _Asked(SIGNALS, "Longest gap between rows while braking", "longest_gap_s", _plain("longest_gap_s", 2, "s")),
)  # fmt: skip

#: Facts that `observability` does not list: why they are missing.
_ELSE_MISSING: Final = {
    "grade": "the slope was not recorded",
    "air_temp_c": "the air temperature was not recorded",
    "gross_mass_kg": "no mass was recorded",
    "category": "the vehicle is not in the register",
    "regen_kj": "recuperation was not recorded",
    "retarder_s": "a retarder or engine brake was not recorded",
    "abs_warning_lamp": "the lamp was not recorded",
    "flag_and_wheels": "the vehicle's own flag, or modulation, could not be observed",
    "held_decel_mps2": "the demand was never held with rolling wheels, or what it asked cannot be told apart",
    "cutoff_speed_mps": "no cut-off speed is known",
}


def event_facts(row: Row, measures: Measures, reasons: dict[str, str]) -> list[Fact]:
    """Every figure of an event in the reader's units; ``row`` as of ``reads.event``, ``reasons`` of :func:`reasons`.

    Of what is no brake application only what it can tell.
    """
    asked = [fact for fact in _ASKED if fact.always or row.get("not_braking") is None]
    return [_fact(fact, row, measures, reasons) for fact in asked]


def _fact(asked: _Asked, row: Row, measures: Measures, reasons: dict[str, str]) -> Fact:
    text = asked.text(row, measures)
    if text != look.MISSING:
        return Fact(asked.group, asked.name, text)
    why = reasons.get(asked.column) or _ELSE_MISSING.get(asked.column, "it could not be observed")
    return Fact(asked.group, asked.name, text, why)


def reasons(observability: pd.DataFrame) -> dict[str, str]:
    """Column -> what it needs and why else it is missing; ``observability`` as of ``reads.observability``."""
    found = {}
    for line in observability.itertuples(index=False):
        rate = "" if pd.isna(line.least_rate_hz) else f" at {line.least_rate_hz:g} Hz or more"
        found[str(line.subject)] = f"needs {line.channels}{rate}; missing where: {line.otherwise_null}"
    return found


def neighbours(store: Path, row: Row) -> tuple[str | None, str | None]:
    """Ids of the vehicle's event before and after this one by time, None where there is none."""
    if row.get("vehicle_id") is None or row.get("started_at") is None:
        return None, None
    found = frame(store, _NEIGHBOURS, [row["vehicle_id"], row["started_at"], row["event_id"]] * 2)
    both = dict(zip(found["which"], found["event_id"], strict=True))
    return both.get("before"), both.get("after")


_NEIGHBOURS = """
(SELECT 'before' AS which, event_id FROM events
 WHERE vehicle_id = ? AND (started_at, event_id) < (CAST(? AS TIMESTAMPTZ), CAST(? AS VARCHAR))
 ORDER BY started_at DESC, event_id DESC LIMIT 1)
UNION ALL
(SELECT 'after' AS which, event_id FROM events
 WHERE vehicle_id = ? AND (started_at, event_id) > (CAST(? AS TIMESTAMPTZ), CAST(? AS VARCHAR))
 ORDER BY started_at, event_id LIMIT 1)
"""
