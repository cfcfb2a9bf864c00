"""What one application showed of a finding, in a few words for the workshop."""

from collections.abc import Callable
from typing import Any, Final

import pandas as pd

from fleetbrake.core.vocabulary import wheel_words
from fleetbrake.reports import look
from fleetbrake.reports.measures import Measures

Row = dict[Any, Any]


def showed(event: Row, indicator: object, measures: Measures) -> str:
    """The figure of the finding that the event tells, with what it shows at once; never empty.

    ``event`` as :attr:`.SheetFacts.evidence` has it; without an ``indicator`` only what it shows at once.
    """
    told = _FIGURES[str(indicator)](event, measures) if str(indicator) in _FIGURES else ""
    return told or _at_once(event)


def _at_once(event: Row) -> str:
    """Which wheels locked or modulated, else the word of the event."""
    if _true(event["lockup_above_cutoff"]):
        return f"locked above cut-off: {_wheels(event['wheels_locked'])}"
    if _true(event["modulation"]):
        return f"anti-lock at work: {_wheels(event['wheels_modulated'])}"
    return str(look.event_shows(pd.DataFrame([event])).iloc[0])


def _wheels(joined: object) -> str:
    named = joined.split("+") if isinstance(joined, str) else []
    return ", ".join(filter(None, map(wheel_words, named))) or "wheel not known"


def _effectiveness(event: Row, measures: Measures) -> str:
    held = measures.text("decel", event["held_decel_mps2"])
    return "" if held == look.MISSING else f"{held} held{_demand(event, measures)}"


def _demand(event: Row, measures: Measures) -> str:
    if not _known(event["demand_peak"]):
        return ""
    if event["demand_kind"] == "pressure":
        return f", up to {measures.text('pressure', event['demand_peak'])}"
    return f", pedal up to {look.whole(event['demand_peak'])} %" if event["demand_kind"] == "pedal" else ""


def _imbalance(event: Row, _: Measures) -> str:
    if _known(event["steady_slip"]) and _known(event["other_slip"]):
        return f"slip {_percent(event['steady_slip'])}, other side {_percent(event['other_slip'])}"
    yaw = event["brake_yaw_radps"]
    return f"turned {'left' if yaw > 0 else 'right'}, {abs(yaw):.3f} rad/s" if _known(yaw) else ""


def _drag(event: Row, _: Measures) -> str:
    if _known(event["released_slip"]):
        return f"slip after release {_percent(event['released_slip'])}"
    return f"released in {event['release_s']:.2f} s" if _known(event["release_s"]) else ""


def _response(event: Row, _: Measures) -> str:
    if not _known(event["build_up_s"]):
        return ""
    rise = f", demand in {event['demand_rise_s']:.2f} s" if _known(event["demand_rise_s"]) else ""
    return f"built up in {event['build_up_s']:.2f} s{rise}"


def _fade(event: Row, _: Measures) -> str:
    change = event["effectiveness_change"]
    return f"{_percent(change, signed=True)} in the second half" if _known(change) else ""


def _lockup(event: Row, measures: Measures) -> str:
    locked = event["lockup_longest_s"]
    if not (_known(locked) and locked > 0):
        return ""
    at = event["lockup_onset_speed_mps"]
    return f"locked {locked:.2f} s" + (f" from {measures.text('speed', at)}" if _known(at) else "")


def _light(event: Row, _: Measures) -> str:
    cycles = event["wheel_cycles"] if _known(event["wheel_cycles"]) else event["modulation_cycles"]
    return f"{look.whole(cycles)} cycles" if _known(cycles) and cycles > 0 else ""


def _dropout(event: Row, _: Measures) -> str:
    parts = (("while braking", event["dropout_s"]), ("between brakings", event["dropout_between_s"]))
    said = [f"{seconds:.1f} s {when}" for when, seconds in parts if _known(seconds) and seconds > 0]
    return f"no signal {', '.join(said)}" if said else ""


_FIGURES: Final[dict[str, Callable[[Row, Measures], str]]] = {
    "low_brake_effectiveness": _effectiveness,
    "side_imbalance": _imbalance,
    "brake_drag": _drag,
    "slow_response": _response,
    "brake_fade": _fade,
    "lockup_without_modulation": _lockup,
    "modulation_on_light_braking": _light,
    "wheel_speed_dropout": _dropout,
}


def _percent(share: float, signed: bool = False) -> str:
    return f"{100.0 * share:{'+' if signed else ''}.1f} %"


def _known(value: object) -> bool:
    return not pd.isna(value)  # type: ignore[call-overload,no-any-return]


def _true(value: object) -> bool:
    return _known(value) and bool(value)
