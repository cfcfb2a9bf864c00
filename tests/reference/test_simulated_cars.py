"""Lockup of each wheel and braking distance against an independent multi-body simulator.

Source: registry package ``commonroad-vehicle-models`` (BSD-3); its states every millisecond are the truth (computed).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from product_run import WHEELS, Published, publish
from simulated_cars import STEP_S, Case, Trace, simulate

RATES_HZ = (50.0, 100.0)
CASES = {
    "all four lock down to standstill": Case(9.0, grip=0.5, demand_mps2=6.5),
    "all four lock and recover": Case(20.0, grip=0.45, demand_mps2=6.0, hold_s=1.2),
    "only the front wheels lock": Case(18.0, grip=0.6, demand_mps2=5.6, hold_s=1.2, front_share=0.8),
    "none locks": Case(9.0, grip=1.0, demand_mps2=4.0),
}
LOCKED_WHEELS = (WHEELS, WHEELS, ("1L", "1R"), ())


@pytest.fixture(scope="session")
def traces() -> dict[str, Trace]:
    """All cases simulated once."""
    return {name: simulate(case) for name, case in CASES.items()}


@pytest.fixture(scope="session")
def run(traces: dict[str, Trace], tmp_path_factory: pytest.TempPathFactory) -> Published:
    """All cases at all rates through one ingest; event ids ``case at rate``."""
    folder: Path = tmp_path_factory.mktemp("simulated")
    parts = [
        trace.recording(f"{name} at {rate:.0f}", rate, number)
        for number, (name, rate, trace) in enumerate((n, r, t) for r in RATES_HZ for n, t in traces.items())
    ]
    car = {"vehicle_id": "car", "category": "M1", "axles": 2, "actuation": "hydraulic"}
    return publish(folder, {"simulated.parquet": pa.concat_tables(parts)}, vehicles=[car])


def total_s(trace: Trace, share: float) -> np.ndarray:
    """Time of each wheel under ``share`` of the vehicle's speed ``(4,)``."""
    return trace.locked(share).sum(axis=1) * STEP_S


@pytest.mark.parametrize(("name", "wheels"), list(zip(CASES, LOCKED_WHEELS, strict=True)))
def test_truth_is_what_the_case_is_named_for(traces: dict[str, Trace], name: str, wheels: tuple[str, ...]) -> None:
    assert tuple(w for w, locked in zip(WHEELS, traces[name].locked(), strict=True) if locked.any()) == wheels


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("name", CASES)
def test_lockup_of_each_wheel(traces: dict[str, Trace], run: Published, name: str, rate_hz: float) -> None:
    """Verdict of each wheel exact; its length between the times under 5 % and under 10 %, a lockup's entry and exit.

    Two samples more or less, because begin and end fall between samples. Each wheel locks once in these cases, so its
    longest lockup is its total.
    """
    trace = traces[name]
    truth = trace.locked()
    wheels = run.wheels.loc[f"{name} at {rate_hz:.0f}"].loc[list(WHEELS)]
    event = run.events.loc[f"{name} at {rate_hz:.0f}"]
    assert wheels.lockup.tolist() == truth.any(axis=1).tolist()
    low, high = total_s(trace, 0.05) - 2.0 / rate_hz, total_s(trace, 0.10) + 2.0 / rate_hz
    assert (wheels.lockup_s >= low).all()
    assert (wheels.lockup_s <= np.where(truth.any(axis=1), high, 0.0)).all()
    assert low.max() <= event.lockup_s <= high.max()
    assert bool(event.lockup) == truth.any()
    assert bool(event.lockup_above_cutoff) == truth.any()  # all begin far above 15 km/h
    assert not event.modulation


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("name", CASES)
def test_onset_and_slide_of_each_locked_wheel(
    traces: dict[str, Trace], run: Published, name: str, rate_hz: float
) -> None:
    """Onset to a sample, its speed to what the car loses in one; the slide to the way of two samples and 5 to 10 %."""
    trace = traces[name]
    for wheel, locked in zip(WHEELS, trace.locked(), strict=True):
        row = run.wheels.loc[(f"{name} at {rate_hz:.0f}", wheel)]
        if not locked.any():
            assert row.slide_m == 0.0
            assert np.isnan(row.lockup_onset_s)
            continue
        first = int(np.flatnonzero(locked)[0])
        assert row.lockup_onset_s == pytest.approx(trace.time_s[first] - trace.time_s[0], abs=1.01 / rate_hz)
        assert row.lockup_onset_speed_mps == pytest.approx(trace.speed_mps[first], abs=10.0 / rate_hz)
        slide = float(np.sum(trace.speed_mps * locked) * STEP_S)
        leaving_s = float((total_s(trace, 0.10) - total_s(trace, 0.05)).max())
        assert row.slide_m == pytest.approx(slide, abs=(2.0 / rate_hz + leaving_s) * trace.speed_mps[first])


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("name", CASES)
def test_distance_and_deceleration(traces: dict[str, Trace], run: Published, name: str, rate_hz: float) -> None:
    """Braking distance within 1 % of the simulated position; greatest 0.2 s mean within 2 % (of the same curve)."""
    trace = traces[name]
    event = run.events.loc[f"{name} at {rate_hz:.0f}"]
    assert event.braking_distance_m == pytest.approx(trace.distance_m(), rel=0.01)
    braking = (trace.time_s >= -1e-9) & (trace.speed_mps > 0.3)
    window = round(0.2 / STEP_S)
    speed = trace.speed_mps[braking]
    peak = float((speed[:-window] - speed[window:]).max() / 0.2)
    assert event.peak_decel_mps2 == pytest.approx(peak, rel=0.02)
    assert bool(event.hard_stop) == (peak >= 4.0)


def test_without_a_vehicle_speed_nothing_is_made_up(traces: dict[str, Trace], tmp_path: Path) -> None:
    """From wheel speeds alone: right while a wheel rolls, NULL where all lock; a locked wheel is never "not locked".

    Rolling wheels that brake turn 2 to 3 % slower than the car moves, so distances may be short by 3 %.
    """
    parts = [trace.recording(name, 100.0, number) for number, (name, trace) in enumerate(traces.items())]
    found = publish(tmp_path, {"wheels.parquet": pa.concat_tables(parts).drop_columns("speed_mps")})
    for (name, trace), locking in zip(traces.items(), LOCKED_WHEELS, strict=True):
        event = found.events.loc[name]
        for wheel in locking:
            assert pd.isna(found.wheels.lockup[(name, wheel)]) or found.wheels.lockup[(name, wheel)]
            assert found.wheels.lockup_s[(name, wheel)] != 0.0
        if locking == WHEELS:
            assert event[["braking_distance_m", "mfdd_mps2", "peak_decel_mps2", "hard_stop"]].isna().all()
        else:
            assert event.braking_distance_m == pytest.approx(trace.distance_m(), rel=0.03)
            assert event.lockup == bool(locking)
