"""Truth against what was said: raw counts and errors of one nuisance at one rate, which add up over seeds.

A NULL is a miss in recall unless the ``observability`` table excuses it. Excused, for a wheel that truly locked:

- its channel's effective rate is under the least rate of the table;
- at 10 Hz the lockup is shorter than three samples (told apart);
- its sensor could not show it: lost signal, missing rows, or a floor under which it reads zero (the table: "its floor
  ... so that the slip is only known to be at least so much"), so that less than 0.15 s of it was to be seen;
- nothing independent was left: no speed over ground, no accelerometer, and no other wheel turned near the vehicle's
  speed for more than half of it.
"""

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from benchmarks.truth.cases import Case
from benchmarks.truth.judged import Said
from benchmarks.truth.states import braking_rows

from fleetbrake.core.vocabulary import WHEELS
from fleetbrake.simulation.loggers import TRUTH_HZ

LOCK_ASKED_S = 0.15
NO_LOCK_BELOW_S = 0.05
SAMPLES_A_CYCLE = 2.5
NEAR_THRESHOLD_MPS2 = 0.15
HARD_FROM = {"N1": 4.0, "M1": 4.0}


@dataclass
class Tally:
    """``counts``: name -> number; ``errors``: name -> list of arrays."""

    counts: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    errors: dict[str, list[np.ndarray]] = field(default_factory=lambda: defaultdict(list))
    said_wrong: list[tuple[str, str, str]] = field(default_factory=list)

    def add(self, other: "Tally") -> None:
        """Take in another tally."""
        for name, number in other.counts.items():
            self.counts[name] += number
        for name, arrays in other.errors.items():
            self.errors[name] += arrays
        self.said_wrong += other.said_wrong


def words(column: pd.Series) -> np.ndarray:
    """1 true, 0 false, -1 NULL."""
    return np.array([-1 if pd.isna(value) else int(value) for value in column])


def wheel_rate(case: Case, rate: float) -> float:
    """Effective rate of the wheel speeds."""
    return min(rate, case.setup.wheel_hz) / (2.0 if case.setup.rate_drops else 1.0)


def seen_lock_s(case: Case, said: Said, w: int, e: int) -> float:
    """How long the longest true lockup of a wheel was to be seen in the recording."""
    rows = np.arange(case.truth.lock_begin[w, e], case.truth.lock_end[w, e])
    shown = ~case.loss.lost[w, rows]
    shown &= case.nuisance.floor_mps < 0.05 * case.sim.speed_mps[rows]
    recorded = said.rows.index[said.rows.event == e]
    if case.setup.gap_s > 0.0 and recorded.size > 1:
        k = int(np.argmax(np.diff(recorded)))
        shown &= (rows <= recorded[k]) | (rows >= recorded[k + 1])
    return float(shown.sum()) / TRUTH_HZ


def nothing_left(case: Case, w: int, e: int) -> bool:
    """Whether neither another channel nor another wheel could tell the speed while this wheel locked."""
    setup = case.setup
    if (setup.speed == "gnss" and not setup.gnss_stuck) or (setup.accel and not setup.accel_stuck):
        return False
    rows = np.arange(case.truth.lock_begin[w, e], case.truth.lock_end[w, e])
    turning = np.zeros(rows.size, dtype=bool)
    for other in range(case.wheels):
        if case.sim.applications["load_n"][e, other] > 0.0 and other not in case.silent:
            turning |= case.sim.wheel_speed_mps[other, rows] > 0.9 * case.sim.speed_mps[rows]
    return bool(turning.mean() < 0.5)


def score(case: Case, said: Said, rate: float, least: dict[str, float]) -> Tally:
    """All counts and errors of one case at one rate."""
    tally = Tally()
    braking = case.nuisance.stage is None or case.nuisance.stage.braking
    for w in range(case.wheels):
        found = said.wheels.get(WHEELS[w])
        if found is not None:
            _wheel(tally, case, said, w, found, rate, least, braking=braking)
    _hard_stops(tally, case, said, braking=braking)
    if not braking and case.setup.source != "esc":  # a system that brakes one wheel does brake
        tally.counts["no event"] += len(said.events)
        tally.counts["no event taken"] += int(said.events["not_braking"].isna().sum())
    if braking:
        _figures(tally, case, said)
        _reference_speed(tally, case, said)
        _surfaces(tally, case, said)
    return tally


def _wheel(
    tally: Tally, case: Case, said: Said, w: int, found: pd.DataFrame, rate: float, least: dict, *, braking: bool
) -> None:
    truth, counts = case.truth, tally.counts
    lock, cycles = words(found["lockup"]), found["modulation_cycles"].to_numpy(float)
    length, hz = found["lockup_longest_s"].to_numpy(float), found["modulation_hz"].to_numpy(float)
    for e in range(lock.size):
        loaded = braking and case.sim.applications["load_n"][e, w] > 0.0 and w not in case.silent
        lock_s = truth.lock_s[w, e] if loaded else 0.0
        if loaded or case.nuisance.stage is not None:
            _lock(tally, case, said, w, e, int(lock[e]), float(length[e]), lock_s, rate, least)
        if not loaded and w in case.silent:
            continue
        near, shown = (truth.near_cycles[w, e], truth.shown[w, e]) if loaded else (0, 0)
        told = -1 if np.isnan(cycles[e]) else int(cycles[e] >= 2)
        if near < 2:
            counts["mod none"] += 1
            counts["mod none answered"] += told >= 0
            if told == 1:
                counts["mod false"] += 1
                tally.said_wrong.append(("modulation false", said.events.index[e], WHEELS[w]))
            continue
        enough = SAMPLES_A_CYCLE * truth.hz[w, e]
        if wheel_rate(case, rate) < enough:
            if min(rate, case.setup.wheel_hz) < enough:  # a rate that changes was enough for a part of it
                counts["mod slow"] += 1
                counts["mod invented"] += bool(np.isfinite(hz[e]))
            continue
        if shown < 2 or truth.cycles[w, e] < 2 or wheel_rate(case, rate) < least.get("modulation", 0.0):
            continue
        counts["mod real"] += 1
        counts["mod answered"] += told >= 0
        counts["mod found"] += told == 1
        if told != 1:
            tally.said_wrong.append(("modulation missed", said.events.index[e], WHEELS[w]))
        counts["hz answered"] += bool(np.isfinite(hz[e]))
        if np.isfinite(hz[e]) and np.isfinite(truth.hz[w, e]):
            tally.errors["hz"].append(np.array([abs(hz[e] / truth.hz[w, e] - 1.0)]))


def _lock(
    tally: Tally, case: Case, said: Said, w: int, e: int, told: int, length: float, lock_s: float, rate: float,
    least: dict,
) -> None:  # fmt: skip
    counts = tally.counts
    if lock_s < NO_LOCK_BELOW_S:
        counts["lock none"] += 1
        counts["lock none answered"] += told >= 0
        if told == 1:
            counts["lock false"] += 1
            tally.said_wrong.append(("lockup false", said.events.index[e], WHEELS[w]))
        return
    if lock_s <= LOCK_ASKED_S:
        return
    hz = wheel_rate(case, rate)
    brief = hz < 15.0 and lock_s < 3.0 / hz
    if brief:
        counts["brief real"] += 1
        counts["brief found"] += told == 1
    if told < 0:
        hidden = brief or hz < least.get("lockup", 0.0) or seen_lock_s(case, said, w, e) <= LOCK_ASKED_S
        if hidden or nothing_left(case, w, e):
            counts["lock excused"] += 1
            return
    counts["lock real"] += 1
    counts["lock answered"] += told >= 0
    counts["lock found"] += told == 1
    if told != 1:
        tally.said_wrong.append(("lockup missed" if told == 0 else "lockup NULL", said.events.index[e], WHEELS[w]))
    if told == 1 and np.isfinite(length) and seen_lock_s(case, said, w, e) > lock_s - 0.5 / hz:  # its ends were seen
        tally.errors["lock samples"].append(np.array([abs(length - lock_s) * hz]))


def _hard_stops(tally: Tally, case: Case, said: Said, *, braking: bool) -> None:
    counts, from_mps2 = tally.counts, HARD_FROM.get(case.spec.category, 3.0)
    for e, told in enumerate(words(said.events["hard_stop"])):
        peak = case.truth.peak[e] if braking else 0.0
        if np.isnan(peak):
            continue
        hard = peak >= from_mps2
        for kind in ("hard all", "hard") if abs(peak - from_mps2) > NEAR_THRESHOLD_MPS2 else ("hard all",):
            counts[f"{kind} real"] += hard
            counts[f"{kind} said"] += told == 1
            counts[f"{kind} right"] += told == 1 and hard
            counts[f"{kind} asked"] += 1
            counts[f"{kind} answered"] += told >= 0
            if kind == "hard" and told != int(hard):
                tally.said_wrong.append((f"hard stop {told}", said.events.index[e], f"peak {peak:.2f}"))


def _figures(tally: Tally, case: Case, said: Said) -> None:
    truth = case.truth
    for name, column, true, relative in (
        ("peak", "peak_decel_mps2", truth.peak, False),
        ("mfdd", "mfdd_mps2", truth.mfdd, True),
        ("distance", "braking_distance_m", truth.distance, True),
    ):
        told = said.events[column].to_numpy(float)
        asked = np.isfinite(true) & (true > 0.05)
        tally.counts[f"{name} asked"] += int(asked.sum())
        both = asked & np.isfinite(told)
        tally.counts[f"{name} answered"] += int(both.sum())
        error = np.abs(told[both] - true[both])
        tally.errors[name].append(error / true[both] if relative else error)


def _reference_speed(tally: Tally, case: Case, said: Said) -> None:
    """Errors of all braking samples of events whose longest lockup took 0.15 to 3 s."""
    longest = case.truth.lock_s.max(axis=0)
    for e in np.flatnonzero((longest > LOCK_ASKED_S) & (longest <= 3.0)):
        braking = braking_rows(case.sim, int(e), by_pressure=case.by_pressure)
        at = np.flatnonzero((said.rows.event == e) & np.isin(said.rows.index, braking))
        true = case.sim.speed_mps[said.rows.index[at]]
        told = said.speed[at]
        use = said.supported[at] & np.isfinite(told) & (true > 0.3)
        tally.counts["speed asked"] += int((true > 0.3).sum())
        tally.counts["speed answered"] += int(use.sum())
        error = told[use] - true[use]
        tally.errors["speed"].append(error)
        se = said.speed_se[at][use]
        known = np.isfinite(se)
        tally.counts["se asked"] += int(known.sum())
        tally.counts["se within"] += int((np.abs(error[known]) <= 2.0 * se[known]).sum())


def _surfaces(tally: Tally, case: Case, said: Said) -> None:
    """Truth and word of the events in which friction was used up, as counts ``surface <true> <said>``."""
    told = said.events["surface"].fillna("unknown").to_numpy(object)
    for e in np.flatnonzero(case.truth.used_up & (case.truth.surface != "")):
        tally.counts[f"surface {case.truth.surface[e]} {told[e]}"] += 1
    idle = ~case.truth.used_up & (case.truth.cycles.max(axis=0) == 0) & (case.truth.lock_s.max(axis=0) < 0.05)
    tally.counts["idle surface"] += int(idle.sum())
    tally.counts["idle surface named"] += int((idle & (told != "unknown")).sum())
