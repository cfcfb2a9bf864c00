"""The panels of one event's traces: which lines each has, over which values, in the reader's units."""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.reports import look
from fleetbrake.reports.measures import Measures
from fleetbrake.reports.traces import Traces

Floats = npt.NDArray[np.float64]

#: Samples of one line that are drawn at most; a longer line keeps each bucket's least and greatest value.
MOST_POINTS: Final = 1500
#: Samples of all lines together; what many wheels leave to each is still more than a tablet has pixels.
_ALL_POINTS: Final = 16_000
_LEAST_POINTS: Final = 500

#: Lines without a wheel of their own, told apart by the common forms of colour blindness.
_OTHER_COLOURS: Final = ("#0d4a57", "#c8641b", "#3f8f5f", "#8a5aa8", "#9a8118", "#56707f")
_SOLID: Final = (1.0, 0.0)
_DASHED: Final = (5.0, 3.0)
_DOTTED: Final = (1.0, 2.5)

#: Unit of the recording -> the quantity of ``reports.measures`` that it is read in.
_QUANTITY: Final = {"kPa": "pressure"}
#: Unit of the recording -> the least that a panel shows from bottom to top, in that unit.
LEAST_SPAN: Final = {"m/s": 1.0, "m/s²": 1.0, "%": 10.0, "kPa": 50.0, "on/off": 1.0}


@dataclass(frozen=True)
class Line:
    """One line of a panel and how it is drawn: ``name`` as written beside its value, ``digits`` of that value.

    ``lamp``: 0 and 1 are off and on.
    """

    name: str
    time_s: Floats
    value: Floats
    colour: str
    digits: int
    dash: tuple[float, float] = _SOLID
    width: float = 1.5
    steps: bool = False
    lamp: bool = False


@dataclass(frozen=True)
class Panel:
    """One panel: title, unit and height in px, its values from bottom to top, its lines, and a band if it has one.

    ``band`` has time_s, low, high, stretch; ``paired`` says that its lines are the wheels, left and right.
    """

    name: str
    title: str
    unit: str
    height: int
    domain: tuple[float, float]
    lines: tuple[Line, ...]
    ticks: int = 3
    band: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "low", "high", "stretch"]))
    rings: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["time_s", "value"]))


def thinned(frame: pd.DataFrame, value: str, key: str | None = None, most: int = MOST_POINTS) -> pd.DataFrame:
    """The frame with at most about ``most`` rows a line, extremes kept, so that a short lockup never vanishes."""
    if key is not None:
        parts = [thinned(part, value, None, most) for _, part in frame.groupby(key, sort=False)]
        return pd.concat(parts, ignore_index=True) if parts else frame
    if len(frame) <= most:
        return frame
    known = frame[frame[value].notna()].reset_index(drop=True)
    bucket = np.arange(len(known)) * (most // 2) // max(len(known), 1)
    groups = known.groupby(bucket)[value]
    keep = np.unique(np.concatenate([groups.idxmin().to_numpy(), groups.idxmax().to_numpy()]))
    return known.iloc[keep]


def points_a_line(shown: list[Panel]) -> int:
    """How many samples of each line are drawn at most, given how many lines there are."""
    lines = sum(len(panel.lines) for panel in shown)
    return min(max(_ALL_POINTS // max(lines, 1), _LEAST_POINTS), MOST_POINTS)


def drawn(line: Line, most: int = MOST_POINTS) -> pd.DataFrame:
    """Time, value and stretch of a line, thinned; it breaks where nothing was recorded: each stretch is by itself."""
    known = ~np.isnan(line.value)
    time_s = line.time_s[known]
    stretch = stretches(time_s)
    frame = pd.DataFrame({"time_s": time_s, "value": line.value[known], "stretch": stretch})
    return thinned(frame, "value", "stretch", max(most // (int(stretch.max(initial=0)) + 1), 8))


def stretches(time_s: Floats) -> npt.NDArray[np.int64]:
    """Number of the stretch of each recorded sample: a new one after a gap of more than three usual steps.

    So a channel that is slower than the rows stays one line, and a lost signal leaves a hole.
    """
    step = np.diff(time_s)
    usual = float(np.median(step)) if step.size else 0.0
    return np.concatenate([[0], np.cumsum(step > 3.0 * usual + 1e-9)])[: time_s.size].astype(np.int64)


def panels(traces: Traces, measures: Measures) -> list[Panel]:
    """The panels of what was recorded, top to bottom: speed, slip, demand by unit, deceleration."""
    found = [_speed(traces, measures), _slip(traces), *_demand(traces.demand, measures), _decel(traces.decel, measures)]
    return [panel for panel in found if panel is not None]


def wheel_style(wheel: str) -> tuple[str, tuple[float, float]]:
    """One hue an axle, solid left, dashed right."""
    return look.AXLE_COLOURS[int(wheel[0]) - 1], _SOLID if wheel.endswith("L") else _DASHED


def present(frame: pd.DataFrame) -> list[str]:
    """The wheels of the frame in the order of the axles."""
    found = set(frame["wheel"]) if len(frame) else set()
    return [w for w in WHEELS if w in found]


def y_domain(values: list[Floats], least: float, *, from_zero: bool) -> tuple[float, float]:
    """Domain of a panel: with some room, and at least ``least`` wide, so that noise is not drawn as a curve."""
    every = np.concatenate([np.asarray(v, dtype=float) for v in values]) if values else np.empty(0)
    known = every[np.isfinite(every)]
    low, high = (float(known.min()), float(known.max())) if known.size else (0.0, least)
    if from_zero or (low >= 0.0 and high <= least):
        low = min(low, 0.0)
    if high - low < least:
        if low == 0.0:
            return 0.0, least
        middle = round((low + high) / 2 / least, 1) * least
        return middle - least, middle + least
    room = 0.04 * (high - low)
    return (low - room if low < 0.0 or not from_zero else 0.0), high + room


def _column(frame: pd.DataFrame, name: str) -> Floats:
    return frame[name].to_numpy(dtype=float, na_value=np.nan)


def _wheel_lines(frame: pd.DataFrame, value: str, factor: float, digits: int) -> list[Line]:
    lines = []
    for wheel in present(frame):
        part = frame[frame["wheel"] == wheel]
        colour, dash = wheel_style(wheel)
        lines.append(Line(wheel, _column(part, "time_s"), factor * _column(part, value), colour, digits, dash))
    return lines


def _speed(traces: Traces, measures: Measures) -> Panel | None:
    factor, unit = measures.unit("speed").factor, measures.label("speed")
    lines = []
    vehicle = traces.vehicle
    band = pd.DataFrame(columns=["time_s", "low", "high", "stretch"])
    if vehicle["speed_mps"].notna().any():
        speed = factor * _column(vehicle, "speed_mps")
        lines.append(Line("vehicle", _column(vehicle, "time_s"), speed, look.VEHICLE_COLOUR, 1, _SOLID, 3.2))
        band = _band(vehicle, factor)
    channel = _channel(traces.channel, factor)
    lines += channel
    wheels = _wheel_lines(traces.wheels, "speed_mps", factor, 1)
    if not lines and not wheels:
        return None
    title = "Speed of the vehicle, in its grey band" + (", and of its wheels" if wheels else "")
    # noise of a standing vehicle asks for no room below zero
    values = [np.maximum(line.value, 0.0) for line in (*lines, *wheels)]
    domain = y_domain(values, factor * LEAST_SPAN["m/s"], from_zero=True)
    rings = (
        _rings(traces.channel, factor) if channel and channel[0].steps else pd.DataFrame(columns=["time_s", "value"])
    )
    return Panel("speed", title, unit, 220, domain, (*lines, *wheels), 5, band=band, rings=rings)


def _band(vehicle: pd.DataFrame, factor: float) -> pd.DataFrame:
    """Two standard errors to either side, thinned as the line is."""
    if "low_mps" not in vehicle:
        return pd.DataFrame(columns=["time_s", "low", "high", "stretch"])
    low, high = factor * _column(vehicle, "low_mps"), factor * _column(vehicle, "high_mps")
    known = ~np.isnan(low)
    time_s = _column(vehicle, "time_s")[known]
    frame = pd.DataFrame({"time_s": time_s, "low": low[known], "high": high[known], "stretch": stretches(time_s)})
    # rows are chosen by the lower edge: the band is as wide where it is narrow
    return thinned(frame, "low", "stretch")


def _channel(channel: pd.DataFrame, factor: float) -> list[Line]:
    """The speed channel as recorded; in steps where it is slower than the rows."""
    if channel.empty:
        return []
    speed = _column(channel, "speed_mps")
    moving = channel["fresh"].to_numpy(dtype=bool)[speed > 0.5]
    slow = bool(moving.size) and float(moving.mean()) < 0.6
    line = Line("recorded", _column(channel, "time_s"), factor * speed, look.INK, 1, _DOTTED, 1.1, steps=slow)
    return [line]


def _rings(channel: pd.DataFrame, factor: float) -> pd.DataFrame:
    """Each new reading of a slow channel; none where there are too many to tell apart."""
    fresh = channel[channel["fresh"].to_numpy(dtype=bool)]
    if len(fresh) > MOST_POINTS:
        return pd.DataFrame(columns=["time_s", "value"])
    return pd.DataFrame({"time_s": _column(fresh, "time_s"), "value": factor * _column(fresh, "speed_mps")})


def _slip(traces: Traces) -> Panel | None:
    if not traces.slip["slip"].notna().any():
        return None
    lines = _wheel_lines(traces.slip, "slip", 1.0, 2)
    return Panel("slip", "Brake slip (0 rolling, 1 locked)", "slip", 100, (0.0, 1.0), tuple(lines), 3)


def _demand(demand: pd.DataFrame, measures: Measures) -> list[Panel]:
    """One panel a unit: the pedal in per cent and pressures never share an axis."""
    found = []
    for number, (unit, part) in enumerate(demand.groupby("unit", sort=False)):
        recorded = str(unit)
        quantity = _QUANTITY.get(recorded)
        factor, shown, digits = 1.0, recorded, 0
        if quantity is not None:
            chosen = measures.unit(quantity)
            factor, shown, digits = chosen.factor, chosen.label, chosen.digits
        lines = _signals(part, factor, digits, lamp=recorded == "on/off")
        least = factor * LEAST_SPAN.get(recorded, 1.0)
        domain = y_domain([line.value for line in lines], least, from_zero=recorded in ("%", "on/off"))
        lamp = recorded == "on/off"
        whole = [line.name for line in lines if not line.name.startswith("pressure ")]
        said = [*whole, *(["pressure at the wheels"] if len(whole) < len(lines) else [])]
        title = f"Demand: {', '.join(said)}"
        found.append(Panel(f"demand{number}", title, shown, 34 if lamp else 84, domain, tuple(lines), 1 if lamp else 3))
    return found


def _signals(part: pd.DataFrame, factor: float, digits: int, *, lamp: bool) -> list[Line]:
    lines = []
    for position, (name, rows) in enumerate(part.groupby("signal", sort=False)):
        signal = str(name)
        colour, dash = _OTHER_COLOURS[position % len(_OTHER_COLOURS)], _SOLID
        if signal.startswith("pressure ") and signal[9:] in WHEELS:
            colour, dash = wheel_style(signal[9:])
        value = factor * _column(rows, "value")
        lines.append(Line(signal, _column(rows, "time_s"), value, colour, digits, dash, steps=lamp, lamp=lamp))
    return lines


def _decel(decel: pd.DataFrame, measures: Measures) -> Panel | None:
    if not decel["decel_mps2"].notna().any():
        return None
    unit = measures.unit("decel")
    value = unit.factor * _column(decel, "decel_mps2")
    domain = y_domain([value], unit.factor * LEAST_SPAN["m/s²"], from_zero=False)
    line = Line("vehicle", _column(decel, "time_s"), value, look.VEHICLE_COLOUR, unit.digits)
    title = "Deceleration of the vehicle (rate of change of its speed)"
    return Panel("decel", title, unit.label, 100, domain, (line,), 4)
