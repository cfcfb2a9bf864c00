"""What a recording must hold to be used: times that rise, values a vehicle can show, units that fit.

All checks work on whole batches; what was mended becomes a note of the event or a reason of the file.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from fleetbrake.recordings.batch import Floats, Ints
from fleetbrake.recordings.contract import ContractColumn

Bools = npt.NDArray[np.bool_]

#: Fewer samples cannot show a change of speed and its direction.
LEAST_SAMPLES = 3

#: 1971-01-01 and 2200-01-01: no recording is older or younger; an unset clock begins in 1970.
_EARLIEST_US = int(np.datetime64("1971-01-01", "us").astype(np.int64))
_LATEST_US = int(np.datetime64("2200-01-01", "us").astype(np.int64))


@dataclass
class Findings:
    """Per event of one batch: why it is rejected (first reason counts) and what was mended."""

    events: int
    rejected: dict[int, str] = field(default_factory=dict)
    mended: dict[int, list[str]] = field(default_factory=dict)
    where: str = ""  # which rows a count is of, where it is not of the whole event

    def reject(self, events: Ints, reason: str) -> None:
        """Reject these events for one reason."""
        for event in events.tolist():
            self.rejected.setdefault(event, reason)

    def mend(self, event: int, note: str) -> None:
        """Note what was mended in one event."""
        self.mended.setdefault(event, []).append(note)

    def good(self) -> Bools:
        """Which events stand ``(events,)``."""
        good = np.ones(self.events, dtype=bool)
        good[list(self.rejected)] = False
        return good

    def notes(self) -> npt.NDArray[np.object_]:
        """Notes of every event, "" for nothing ``(events,)``."""
        notes = np.full(self.events, "", dtype=object)
        for event, words in self.mended.items():
            notes[event] = "; ".join(words)
        return notes


def times_stand(time_us: Ints, starts: Ints, stops: Ints) -> bool:
    """Whether every event is long enough and its times rise through years in which a logger may have run.

    The quick answer for all that is in order; where it is not, :func:`check_times` says what is wrong.
    """
    if (stops - starts).min() < LEAST_SAMPLES or time_us.min() < _EARLIEST_US or time_us.max() >= _LATEST_US:
        return False
    rises = time_us[1:] > time_us[:-1]
    rises[starts[1:] - 1] = True  # from one event to the next it may do what it likes
    return bool(rises.all())


def check_times(time_us: Ints, valid: Bools, event_of: Ints, row_of: Ints, findings: Findings) -> Bools:
    """Which samples to keep ``(N,)``; events of an impossible year, whose time
    runs backwards or that are too short are rejected.

    A sample without time is dropped; of samples with the same stamp the first is kept.

    Parameters
    ----------
    time_us, valid : stamps in microseconds and where there is one ``(N,)``.
    event_of : position of each sample's event ``(N,)``, rising. ``row_of`` : its row in the file, for the text.
    """
    index = np.flatnonzero(valid)
    step = np.diff(time_us[index])
    inside = event_of[index][1:] == event_of[index][:-1]
    _reject_far(time_us[index], event_of[index], findings)
    falls = np.flatnonzero(inside & (step < 0))
    back = index[1:][falls]
    first, where = np.unique(event_of[back], return_index=True)
    for event, row, step_us in zip(first, row_of[back[where]], step[falls[where]].tolist(), strict=True):
        findings.reject(np.array([event]), _backwards_text(row, step_us))
    repeated = index[1:][inside & (step == 0)]
    keep = valid.copy()
    keep[repeated] = False
    _note_counts(event_of[repeated], _REPEATED, findings)
    _note_counts(event_of[~valid], _WITHOUT, findings)
    samples = np.bincount(event_of[keep], minlength=findings.events)
    for count in range(LEAST_SAMPLES):
        findings.reject(np.flatnonzero(samples == count), _few_text(count))
    return keep


@dataclass
class TimesSoFar:
    """What :func:`check_times` says of one long drive, whose rows come a few at a time; ``row`` is the next one."""

    row: int
    backwards_at: int | None = None
    backwards_us: int = 0
    far_us: int | None = None
    repeated: int = 0
    without: int = 0
    usable: int = 0
    _last_us: int | None = None

    def add(self, time_us: Ints, valid: Bools) -> None:
        """Take in the next stamps, in microseconds, and where there is one ``(N,)``."""
        index = np.flatnonzero(valid)
        self.without += len(time_us) - len(index)
        if len(index):
            stamps = time_us[index]
            step = np.diff(stamps, prepend=stamps[0] - 1 if self._last_us is None else self._last_us)
            back, repeated = np.flatnonzero(step < 0), int(np.count_nonzero(step == 0))
            if self.backwards_at is None and len(back):
                self.backwards_at, self.backwards_us = self.row + int(index[back[0]]), int(step[back[0]])
            far = stamps[(stamps < _EARLIEST_US) | (stamps >= _LATEST_US)]
            if self.far_us is None and len(far):
                self.far_us = int(far[0])
            self.repeated += repeated
            self.usable += len(index) - repeated
            self._last_us = int(stamps[-1])
        self.row += len(time_us)

    @property
    def rejected(self) -> str | None:
        """Why the drive is rejected, if so."""
        if self.far_us is not None:
            return _far_text(self.far_us)
        if self.backwards_at is not None:
            return _backwards_text(self.backwards_at, self.backwards_us)
        return _few_text(self.usable) if self.usable < LEAST_SAMPLES else None

    def notes(self) -> list[str]:
        """What was mended in its times."""
        found = ((self.repeated, _REPEATED), (self.without, _WITHOUT))
        return [_dropped_text(count, what) for count, what in found if count]


def _reject_far(time_us: Ints, event_of: Ints, findings: Findings) -> None:
    """Reject events with a time stamp in a year in which no logger ran: ticks taken for another unit."""
    far = np.flatnonzero((time_us < _EARLIEST_US) | (time_us >= _LATEST_US))
    events, where = np.unique(event_of[far], return_index=True)
    for event, stamp in zip(events, time_us[far[where]].tolist(), strict=True):
        findings.reject(np.array([event]), _far_text(stamp))


_REPEATED = ("repeated time stamp", "repeated time stamps")
_WITHOUT = ("sample without time stamp", "samples without time stamp")


#: A step back of an hour, as clocks on local time make it in autumn; some seconds between rows are taken off it.
_HOUR_BACK_US = (-3_600_000_000, -3_590_000_000)


def _backwards_text(row: int, step_us: int) -> str:
    hint = (
        " by an hour: times are UTC, which has no summer time" if _HOUR_BACK_US[0] <= step_us < _HOUR_BACK_US[1] else ""
    )
    return f"time runs backwards at row {row}{hint}"


def _few_text(count: int) -> str:
    return f"only {count} usable samples, at least {LEAST_SAMPLES} needed"


def _far_text(stamp_us: int) -> str:
    return f"time stamps lie {_year_text(stamp_us)}: is the unit right?"


def _dropped_text(count: int, what: tuple[str, str]) -> str:
    return f"{count} {what[count > 1]} dropped"


def _year_text(stamp_us: int) -> str:
    year = 1970 + int(np.datetime64(stamp_us, "us").astype("datetime64[Y]").astype(np.int64))
    if year < 1:
        return "before the year 1"
    return f"in the year {year}" if year <= 9999 else "after the year 9999"


def _note_counts(events: Ints, what: tuple[str, str], findings: Findings) -> None:
    counts = np.bincount(events, minlength=findings.events)
    for event in np.flatnonzero(counts):
        findings.mend(int(event), _dropped_text(int(counts[event]), what))


def implausible(column: ContractColumn, values: Floats) -> Bools:
    """Where a value cannot be: outside the contract's range, infinite, or neither 0 nor 1 for yes/no ``(N,)``."""
    if column.kind == "bool":
        return ~np.isnan(values) & (values != 0.0) & (values != 1.0)
    low, high = column.low, column.high
    if low is None or high is None:
        return np.zeros(len(values), dtype=bool)
    return (values < low) | (values > high)


def blank_implausible(column: ContractColumn, values: Floats, offsets: Ints, findings: Findings) -> tuple[int, bool]:
    """Set implausible values to NaN in place and note them by event; how many there were, and whether any is left.

    ``offsets`` are the first samples of the events, and the number of samples ``(events + 1,)``.
    """
    lowest, highest = (np.fmin.reduce(values), np.fmax.reduce(values)) if len(values) else (np.nan, np.nan)
    if np.isnan(lowest):  # nothing but NaN
        return 0, False
    low, high = column.low, column.high
    if column.kind != "bool" and low is not None and high is not None and lowest >= low and highest <= high:
        return 0, True
    wrong = implausible(column, values)
    total = int(np.count_nonzero(wrong))
    if total:
        values[wrong] = np.nan
        _note_left_out(np.searchsorted(offsets, np.flatnonzero(wrong), side="right") - 1, column.name, findings)
    return total, bool(np.isfinite(values).any())


def _note_left_out(events: Ints, name: str, findings: Findings) -> None:
    counts = np.bincount(events, minlength=findings.events)
    for event in np.flatnonzero(counts):
        number = int(counts[event])
        findings.mend(
            int(event), f"{number} implausible {name} value{'s' if number > 1 else ''} left out{findings.where}"
        )


def outside_text(column: ContractColumn) -> str:
    """What an implausible value of this column is, for a sentence."""
    if column.kind == "bool":
        return "other than 0 and 1"
    return f"outside {column.low:g} to {column.high:g} {column.unit.replace('**', '')}"


# --- units that do not fit: only where the numbers leave no doubt -------------------------------------------------

#: Below this the ratio of two speeds is noise; in whatever unit they are.
_MOVING = 3.0
_LEAST_MOVING_SAMPLES = 100
#: Different values of a position that rest noise does not show.
_LEAST_STEPS = 8
#: km/h over m/s is 3.6, mph over m/s 2.24, rad/s over m/s about 3 for a car's wheel, 2 for a truck's.
_TOO_FAST = 1.8
#: The same the other way round; a wheel that stands still is far below (that is a fault, not a unit).
_TOO_SLOW = (0.2, 0.55)
#: Within these, and 5 % beyond, no factor is a wrong unit.
_SAME = (0.6, 1.7)
#: A wrong unit is one factor for nearly all samples; slip and faults are not.
_SPREAD = 0.12


def fractions_not_percent(values: Floats) -> bool:
    """Whether a position in % is surely given as 0 to 1: it goes well up in fine steps, but never above 1.

    The rest noise of a pedal in % may stay under 1 too, but shows only few steps (0.4 % on the heavy-vehicle bus).
    """
    finite = values[np.isfinite(values)]
    if finite.size == 0 or not 0.5 <= finite.max() <= 1.0:
        return False
    return len(np.unique(finite)) >= _LEAST_STEPS


@dataclass
class PedalSoFar:
    """Whether :func:`fractions_not_percent` holds for the values of a long drive, which come a few at a time."""

    highest: float = 0.0
    _steps: Floats = field(default_factory=lambda: np.empty(0))

    def add(self, values: Floats) -> None:
        """Take in the next values ``(N,)``, NaN where nothing is recorded."""
        finite = values[np.isfinite(values)]
        self.highest = max(self.highest, float(finite.max(initial=0.0)))
        if self.highest <= 1.0 and len(self._steps) < _LEAST_STEPS:
            self._steps = np.union1d(self._steps, finite)[:_LEAST_STEPS]

    def fractions(self) -> bool:
        """Whether it is surely given as 0 to 1."""
        return fractions_not_percent(np.append(self._steps[: _LEAST_STEPS - 1], self.highest))


def steady_ratio(wheel: Floats, speed: Floats) -> float | None:
    """The one factor between a wheel's and the vehicle's speed, or None if there is no such factor.

    Where it is surely neither too fast nor too slow it is good to a few per cent only.
    """
    with np.errstate(invalid="ignore"):
        moving = (np.maximum(speed, wheel) > _MOVING) & (speed > 0.5)
        if np.count_nonzero(moving) < _LEAST_MOVING_SAMPLES:
            return None
        guess = _plainly_same(wheel, speed, moving)
        if guess is not None:
            return guess
        moving &= np.isfinite(wheel) & np.isfinite(speed)
    if np.count_nonzero(moving) < _LEAST_MOVING_SAMPLES:
        return None
    with np.errstate(over="ignore"):
        ratio = wheel[moving] / speed[moving]
    low, middle, high = np.percentile(ratio, (25, 50, 75))
    return float(middle) if middle > 0.0 and high - low <= _SPREAD * middle else None


def _plainly_same(wheel: Floats, speed: Floats, moving: Bools) -> float | None:
    """A factor that cannot be a wrong unit and holds for so many samples that both quartiles are within 5 % of it."""
    some = slice(None, None, max(1, len(wheel) // 500))
    with np.errstate(over="ignore"):  # a speed that cannot be is left out later
        ratio = wheel[some][moving[some]] / speed[some][moving[some]]
    guess = float(np.median(ratio)) if len(ratio) else np.nan
    if not _SAME[0] < guess < _SAME[1]:
        return None
    near = (np.abs(wheel - guess * speed) <= 0.05 * guess * speed) & moving
    share = np.count_nonzero(near) / np.count_nonzero(moving)
    return guess if share > 0.76 and np.count_nonzero(near) >= _LEAST_MOVING_SAMPLES else None


def wrong_unit_wheels(ratios: dict[str, float | None]) -> tuple[bool, list[str]]:
    """From each wheel's factor: whether wheels and vehicle speed disagree as a whole, and which single wheels do."""
    known = {wheel: ratio for wheel, ratio in ratios.items() if ratio is not None}
    fast = [wheel for wheel, ratio in known.items() if ratio > _TOO_FAST]
    slow = [wheel for wheel, ratio in known.items() if _TOO_SLOW[0] <= ratio <= _TOO_SLOW[1]]
    whole = len(known) >= 2 and (len(fast) == len(known) or len(slow) == len(known))
    return whole, [] if whole else fast
