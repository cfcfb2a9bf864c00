"""From tallies to the figures of the table: each quantity, its target, and how its cell is read."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from benchmarks.truth.score import Tally

#: Figure and share answered, both NaN where nothing was asked.
Cell = tuple[float, float]


def share(part: float, whole: float) -> float:
    """Part of a whole; NaN for none."""
    return part / whole if whole else np.nan


def pooled(tally: Tally, name: str) -> np.ndarray:
    """All errors of one name."""
    arrays = tally.errors.get(name, [])
    return np.concatenate(arrays) if arrays else np.zeros(0)


def _middle(name: str, percentile: float, answered: str, factor: float = 1.0) -> Callable[[Tally], Cell]:
    def cell(tally: Tally) -> Cell:
        errors = pooled(tally, name)
        value = float(np.percentile(errors, percentile)) * factor if errors.size else np.nan
        if answered == "lock":
            return value, lock_answered(tally)
        if answered == "hz":
            return value, share(tally.counts["hz answered"], tally.counts["mod real"])
        return value, share(tally.counts[f"{answered} answered"], tally.counts[f"{answered} asked"])

    return cell


def lock_answered(tally: Tally) -> float:
    """Share of wheels with an answer, of those that locked and those that did not."""
    c = tally.counts
    whole = c["lock real"] + c["lock excused"] + c["lock none"]
    return share(c["lock answered"] + c["lock none answered"], whole)


def mod_answered(tally: Tally) -> float:
    """The same for modulation."""
    c = tally.counts
    return share(c["mod answered"] + c["mod none answered"], c["mod real"] + c["mod none"])


def lock_precision(tally: Tally) -> Cell:
    """Of the wheels said to have locked, those that did."""
    c = tally.counts
    return share(c["lock found"], c["lock found"] + c["lock false"]), lock_answered(tally)


def lock_recall(tally: Tally) -> Cell:
    """Of the lockups over 0.15 s, those found; the share is that of real ones answered, excused ones included."""
    c = tally.counts
    answered = share(c["lock answered"], c["lock real"] + c["lock excused"])
    return share(c["lock found"], c["lock real"]), answered


def lock_recall_of_all(tally: Tally) -> Cell:
    """The same with every NULL a miss, excused or not: how much of what happened is told at all."""
    c = tally.counts
    whole = c["lock real"] + c["lock excused"]
    return share(c["lock found"], whole), share(c["lock answered"], whole)


def surface_idle(tally: Tally) -> Cell:
    """Of the events in which friction was not used up, those that a surface is named for."""
    c = tally.counts
    return 100.0 * share(c["idle surface named"], c["idle surface"]), np.nan


def brief_recall(tally: Tally) -> Cell:
    """Lockups shorter than three samples at 10 Hz, which may be NULL."""
    c = tally.counts
    return share(c["brief found"], c["brief real"]), np.nan


def mod_precision(tally: Tally) -> Cell:
    """Of the wheels said to be modulated, those that were."""
    c = tally.counts
    return share(c["mod found"], c["mod found"] + c["mod false"]), mod_answered(tally)


def mod_recall(tally: Tally) -> Cell:
    """Of the modulated wheels with 2.5 samples a cycle or more, those found."""
    c = tally.counts
    return share(c["mod found"], c["mod real"]), share(c["mod answered"], c["mod real"])


def invented(tally: Tally) -> Cell:
    """Frequencies given where the rate is under 2.5 samples a cycle; the share is that of such wheels."""
    c = tally.counts
    return (float(c["mod invented"]) if c["mod slow"] else np.nan), share(c["mod slow"], c["mod slow"] + c["mod real"])


def lock_false(tally: Tally) -> Cell:
    """Of the wheels that did not lock, those said to have, in %."""
    c = tally.counts
    return 100.0 * share(c["lock false"], c["lock none"]), share(c["lock none answered"], c["lock none"])


def mod_false(tally: Tally) -> Cell:
    """Of the wheels that were not modulated, those said to be, in %."""
    c = tally.counts
    return 100.0 * share(c["mod false"], c["mod none"]), share(c["mod none answered"], c["mod none"])


def no_event(tally: Tally) -> Cell:
    """Of the traces that are no brake application, those taken for one, in %."""
    c = tally.counts
    return 100.0 * share(c["no event taken"], c["no event"]), np.nan


def _hard(kind: str, whole: str) -> Callable[[Tally], Cell]:
    def cell(tally: Tally) -> Cell:
        c = tally.counts
        answered = share(c[f"{kind} answered"], c[f"{kind} asked"])
        return share(c[f"{kind} right"], c[f"{kind} {whole}"]), answered

    return cell


def speed_rms(tally: Tally) -> Cell:
    """Root mean square of the reference speed's error, m/s."""
    errors = pooled(tally, "speed")
    value = float(np.sqrt(np.mean(errors**2))) if errors.size else np.nan
    return value, share(tally.counts["speed answered"], tally.counts["speed asked"])


def within_band(tally: Tally) -> Cell:
    """Share of those samples within two standard errors."""
    c = tally.counts
    return share(c["se within"], c["se asked"]), share(c["se asked"], c["speed asked"])


def confusion(tally: Tally) -> dict[tuple[str, str], int]:
    """(true, said) -> events."""
    found = {}
    for name, number in tally.counts.items():
        if name.startswith("surface "):
            _, true, said = name.split(" ")
            found[true, said] = number
    return found


def surface_f1(tally: Tally) -> Cell:
    """Mean of the classes' F1 over the true classes; ``unknown`` is a miss of its class."""
    table = confusion(tally)
    scores = []
    for kind in sorted({true for true, _ in table}):
        right = table.get((kind, kind), 0)
        of_true = sum(n for (true, _), n in table.items() if true == kind)
        of_said = sum(n for (_, said), n in table.items() if said == kind)
        scores.append(2.0 * right / (of_true + of_said))
    whole = sum(table.values())
    known = sum(n for (_, said), n in table.items() if said != "unknown")
    return (float(np.mean(scores)) if scores else np.nan), share(known, whole)


def number(*names: str) -> Callable[[Tally], Cell]:
    """How many there were."""
    return lambda tally: (float(sum(tally.counts[name] for name in names)) or np.nan, np.nan)


@dataclass(frozen=True)
class Quantity:
    """One block of the table. ``better`` is ``high`` or ``low``; ``target`` NaN where none was set."""

    title: str
    target: float
    better: str
    cell: Callable[[Tally], Cell]
    digits: int = 2

    def short(self, value: float) -> bool:
        """Whether a figure falls short of the target."""
        if np.isnan(value) or np.isnan(self.target):
            return False
        return value < self.target - 1e-9 if self.better == "high" else value > self.target + 1e-9


QUANTITIES = (
    Quantity("how many: wheels that locked over 0.15 s", np.nan, "high", number("lock real", "lock excused"), 0),
    Quantity("how many: wheels modulated, 2.5 samples a cycle or more", np.nan, "high", number("mod real"), 0),
    Quantity("lockup per wheel, precision", 0.98, "high", lock_precision, 3),
    Quantity("lockup per wheel, recall", 0.98, "high", lock_recall, 3),
    Quantity("lockup per wheel, recall, every NULL a miss", np.nan, "high", lock_recall_of_all, 3),
    Quantity("lockup shorter than three samples at 10 Hz, found", np.nan, "high", brief_recall, 3),
    Quantity("lockup duration, median error in samples", 1.0, "low", _middle("lock samples", 50, "lock")),
    Quantity("false lockups, % of wheels without one", 1.0, "low", lock_false),
    Quantity("modulation per wheel, precision", 0.97, "high", mod_precision, 3),
    Quantity("modulation per wheel, recall", 0.97, "high", mod_recall, 3),
    Quantity("modulation frequency, median error in %", 3.0, "low", _middle("hz", 50, "hz", 100.0)),
    Quantity("invented frequencies (rate under 2.5 per cycle)", 0.0, "low", invented, 0),
    Quantity("false modulations, % of wheels without one", 1.0, "low", mod_false),
    Quantity("no brake application taken for one, % of traces", 1.0, "low", no_event),
    Quantity("hard stop, precision", 0.99, "high", _hard("hard", "said"), 3),
    Quantity("hard stop, recall", 0.99, "high", _hard("hard", "real"), 3),
    Quantity(
        "hard stop, precision, also within 0.15 m/s2 of the threshold", np.nan, "high", _hard("hard all", "said"), 3
    ),
    Quantity("hard stop, recall, also within 0.15 m/s2 of the threshold", np.nan, "high", _hard("hard all", "real"), 3),
    Quantity("peak deceleration, median error in m/s2", 0.15, "low", _middle("peak", 50, "peak"), 3),
    Quantity("MFDD, median error in %", 1.0, "low", _middle("mfdd", 50, "mfdd", 100.0)),
    Quantity("MFDD, 90th percentile error in %", 3.0, "low", _middle("mfdd", 90, "mfdd", 100.0)),
    Quantity("distance, median error in %", 1.0, "low", _middle("distance", 50, "distance", 100.0)),
    Quantity("distance, 90th percentile error in %", 3.0, "low", _middle("distance", 90, "distance", 100.0)),
    Quantity("reference speed with wheels locked up to 3 s, RMS error in m/s", 0.25, "low", speed_rms, 3),
    Quantity("reference speed, share within two standard errors", np.nan, "high", within_band),
    Quantity("surface where friction was used up, macro-F1", 0.85, "high", surface_f1),
    Quantity("surface named though friction was not used up, % of such events", np.nan, "low", surface_idle),
)
