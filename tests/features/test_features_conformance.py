"""One suite over ``features()``: what holds for any recording, whatever is in it."""

from dataclasses import fields, replace

import numpy as np
import pyarrow as pa
import pytest

from fleetbrake.features.build import features
from fleetbrake.store.lake_schema import LAKE_EVENT_WHEELS, LAKE_EVENTS
from tests.recordings_made import (
    FOUR,
    START_US,
    braking,
    concat,
    cycling_slip,
    empty_batch,
    held,
    make_batch,
    pressed,
    rolling,
    times,
)

ARROW = {
    "VARCHAR": pa.string(),
    "DOUBLE": pa.float64(),
    "BIGINT": pa.int64(),
    "BOOLEAN": pa.bool_(),
    "TIMESTAMPTZ": pa.timestamp("us", "UTC"),
}
CLASSES = (
    "lockup",
    "modulation",
    "wheels_locked",
    "wheels_modulated",
    "surface",
    "not_braking",
    "demand_kind",
    "brake_source",
)


def noisy(values, seed, size=0.02):
    return values + np.random.default_rng(seed).normal(0.0, size, len(values))


def _plain():
    time_s = times(8.0, 50.0)
    speed = braking(time_s, 20.0, 5.0)
    return make_batch(time_s, noisy(speed, 1), rolling(speed), {"brake_pedal_pct": pressed(time_s)}, event_id="plain")


def _locking():
    time_s = times(8.0, 50.0)
    speed = braking(time_s, 20.0, 5.0)
    turning = rolling(speed)
    turning["2L"] = speed * np.clip(np.maximum(2.5 - time_s, time_s - 3.6) / 0.1, 0.0, 1.0)
    asked = {"brake_pressure_kpa": pressed(time_s, level=6000.0)}
    return make_batch(time_s, speed, turning, asked, event_id="locking", vehicle_id="V2")


def _cycling():
    time_s = times(8.0, 100.0)
    speed = braking(time_s, 25.0, 6.0)
    slips = {w: cycling_slip(time_s, hz, 2.4, 5.2) for w, hz in zip(FOUR, (4, 5, 6, 4), strict=True)}
    turning = {w: speed * (1.0 - s) for w, s in slips.items()}
    asked = {"brake_pedal_pct": pressed(time_s, level=95.0)}
    return make_batch(time_s, speed, turning, asked, event_id="cycling", vehicle_id="V3", brake_source="aeb")


def _released():
    time_s = times(9.0, 50.0)
    speed = braking(time_s, 20.0, 3.0, until_s=4.0)
    asked = {"brake_switch": pressed(time_s, end_s=4.0, level=1.0), "gross_mass_kg": np.full(len(time_s), 2000.0)}
    return make_batch(time_s, speed, rolling(speed, slip=0.01), asked, event_id="released", driver_id="D1")


def _standing():
    time_s = times(5.0, 50.0)
    return make_batch(
        time_s, 0 * time_s, rolling(0 * time_s), {"brake_pedal_pct": pressed(time_s)}, event_id="standing"
    )


def _slow():
    time_s = times(14.0, 50.0)
    speed = held(time_s, braking(time_s, 20.0, 2.5), 1.0)
    return make_batch(time_s, speed, None, {"brake_pedal_pct": pressed(time_s)}, event_id="slow")


def _wheels_only():
    time_s = times(8.0, 50.0)
    turning = rolling(noisy(braking(time_s, 20.0, 5.0), 3))
    return make_batch(time_s, None, turning, {"brake_pedal_pct": pressed(time_s)}, event_id="wheels", speed_source=None)


MADE = {f.__name__[1:]: f for f in (_plain, _locking, _cycling, _released, _standing, _slow, _wheels_only)}
EVERY = pytest.mark.parametrize("name", MADE)


def everything():
    return concat([make() for make in MADE.values()])


def rows(batch, names=None):
    found = features(batch).events.to_pylist()
    return {row["event_id"]: row if names is None else {k: row[k] for k in names} for row in found}


def wheel_rows(batch):
    return {(row["event_id"], row["wheel"]): row for row in features(batch).wheels.to_pylist()}


def same_figures(found, expected, but=(), rel=1e-9):
    assert found.keys() == expected.keys()
    for name, value in expected.items():
        if name in but:
            continue
        if isinstance(value, float):
            assert found[name] == pytest.approx(value, rel=rel, abs=1e-9), name
        else:
            assert found[name] == value, name


# --- the tables


@pytest.mark.parametrize(
    "batch", [everything(), empty_batch(), empty_batch(()), _slow()], ids=["all", "none", "bare", "slow"]
)
def test_columns_and_types_are_those_of_the_lake(batch):
    tables = features(batch)
    for table, lake in ((tables.events, LAKE_EVENTS), (tables.wheels, LAKE_EVENT_WHEELS)):
        assert sorted(table.column_names) == sorted(lake)
        assert {name: table.schema.field(name).type for name in lake} == {
            name: ARROW[kind] for name, kind in lake.items()
        }
    assert tables.events.num_rows == batch.events
    assert tables.wheels.num_rows == batch.events * len(batch.wheels)


def test_no_nan_and_no_infinity_reach_a_table():
    tables = features(everything())
    for table in (tables.events, tables.wheels):
        for name in table.column_names:
            if pa.types.is_floating(table.schema.field(name).type):
                seen = table.column(name).drop_null().to_numpy()
                assert np.isfinite(seen).all(), name


def test_the_made_recordings_hold_what_they_are_made_for():
    """Otherwise the equalities below would compare nothing with nothing."""
    found = rows(everything())
    assert found["locking"]["wheels_locked"] == "2L"
    assert found["cycling"]["wheels_modulated"] == "1L+1R+2L+2R"
    assert found["standing"]["not_braking"] is not None
    assert found["slow"]["peak_decel_mps2"] is None
    assert found["released"]["demand_kind"] == "switch"
    assert found["plain"]["lockup"] is False


# --- degenerate recordings


@pytest.mark.parametrize("continuous", [False, True])
def test_an_empty_batch_gives_empty_tables(continuous):
    tables = features(empty_batch(continuous=continuous))
    assert tables.events.num_rows == tables.wheels.num_rows == 0


@pytest.mark.parametrize("samples", [1, 2, 3])
@pytest.mark.parametrize("continuous", [False, True])
def test_too_short_gives_a_row_and_no_claim(samples, continuous):
    time_s = np.arange(samples) / 50.0
    speed = np.full(samples, 20.0)
    asked = {"brake_pedal_pct": np.full(samples, 50.0)}
    found = features(make_batch(time_s, speed, rolling(speed), asked, continuous=continuous)).events.to_pylist()
    assert len(found) == (0 if continuous else 1)
    for row in found:
        assert row["lockup"] in (None, False)
        assert row["modulation"] in (None, False)
        assert row["mfdd_mps2"] is None
        assert row["peak_decel_mps2"] in (None, 0.0)


@pytest.mark.parametrize("value", [0.0, 15.0, np.nan])
def test_a_constant_recording_claims_nothing(value):
    time_s = times(5.0, 50.0)
    flat = np.full(len(time_s), value)
    asked = {"brake_pedal_pct": flat, "accel_long_mps2": flat, "gross_mass_kg": flat}
    row = features(make_batch(time_s, flat, rolling(flat), asked)).events.to_pylist()[0]
    assert row["lockup"] is not True
    assert row["modulation"] is not True
    assert row["peak_decel_mps2"] is None or row["peak_decel_mps2"] == pytest.approx(0.0, abs=1e-6)
    if value != 15.0:
        assert row["not_braking"] is not None
        assert row["lockup"] is row["modulation"] is row["peak_decel_mps2"] is None


@EVERY
def test_all_nan_claims_nothing(name):
    batch = MADE[name]()
    gone = replace(
        batch,
        channels={k: np.full_like(v, np.nan) for k, v in batch.channels.items()},
        wheel_speed_mps=np.full_like(batch.wheel_speed_mps, np.nan),
    )
    row = rows(gone)[batch.event_id[0]]
    assert row["not_braking"] is not None
    assert all(row[k] is None for k in ("lockup", "modulation", "peak_decel_mps2", "mfdd_mps2", "initial_speed_mps"))
    assert all(not r["sensed"] and r["peak_slip"] is None for r in wheel_rows(gone).values())


@EVERY
def test_a_nan_gap_never_turns_into_a_yes(name):
    batch = MADE[name]()
    before = rows(batch)[batch.event_id[0]]
    hole = (batch.time_s > 3.0) & (batch.time_s < 3.7)
    holed = replace(
        batch,
        channels={k: np.where(hole, np.nan, v) for k, v in batch.channels.items()},
        wheel_speed_mps=np.where(hole, np.nan, batch.wheel_speed_mps),
    )
    after = rows(holed)[batch.event_id[0]]
    for word in ("lockup", "modulation"):
        assert after[word] in (before[word], None)
    if before["lockup"] is False:
        assert after["lockup"] is None  # 0.7 s unseen could hide one
    assert after["braking_distance_m"] is None or before["braking_distance_m"] is None or name in ("slow", "standing")


# --- nothing but the recording decides


def test_inputs_are_left_as_they_were():
    batch = everything()
    kept = {f.name: getattr(batch, f.name) for f in fields(batch)}
    copies = {k: v.copy() for k, v in kept.items() if isinstance(v, np.ndarray)}
    channels = {k: v.copy() for k, v in batch.channels.items()}
    features(batch)
    features(replace(batch, continuous=True))
    for name, value in copies.items():
        np.testing.assert_array_equal(kept[name], value, err_msg=name)
    for name, value in channels.items():
        np.testing.assert_array_equal(batch.channels[name], value, err_msg=name)


def test_the_order_and_company_of_events_do_not_matter():
    """Other vehicles' events never matter; those of the vehicle itself help to know its radii and its sensors."""
    made = [make() for make in MADE.values() if make is not _slow and make is not _wheels_only]
    made = [replace(b, vehicle_id=np.array([f"v{i}"], dtype=object)) for i, b in enumerate(made)]
    expected, expected_wheels = rows(concat(made)), wheel_rows(concat(made))
    turned = concat(made[::-1])
    for event_id, row in rows(turned).items():
        same_figures(row, expected[event_id], but=("row_start", "row_stop"))
    for key, row in wheel_rows(turned).items():
        same_figures(row, expected_wheels[key])
    for batch in made:
        same_figures(rows(batch)[batch.event_id[0]], expected[batch.event_id[0]], but=("row_start", "row_stop"))


@EVERY
def test_twice_the_rows_give_the_same_classes(name):
    batch = MADE[name]()
    fine = np.arange(2 * batch.samples - 1) / 2.0
    at = np.arange(batch.samples)

    def between(values):
        return np.interp(fine, at, values)

    def steps(values):
        return values[np.floor(fine).astype(int)]

    stepped = {"brake_pedal_pct", "brake_switch", "brake_pressure_kpa", "gross_mass_kg"}
    doubled = make_batch(
        between(batch.time_s),
        (steps if name == "slow" else between)(batch.channel("speed_mps")) if batch.has("speed_mps") else None,
        {w: between(batch.wheel_speed_mps[k]) for k, w in enumerate(batch.wheels)},
        {k: (steps if k in stepped else between)(v) for k, v in batch.channels.items() if k != "speed_mps"},
        event_id=batch.event_id[0],
        brake_source="aeb" if name == "cycling" else None,
        speed_source=batch.speed_source,
    )
    assert rows(doubled, CLASSES) == rows(batch, CLASSES)
    twice, once = (rows(b)[batch.event_id[0]] for b in (doubled, batch))
    for figure in ("peak_decel_mps2", "mfdd_mps2", "braking_distance_m"):
        if once[figure] is None:
            assert twice[figure] is None
        else:  # a line between readings hides their noise: 0.02 m/s is 0.14 m/s2 in a 0.2 s mean; four times that
            noisy_speed = name in ("plain", "wheels_only") and figure == "peak_decel_mps2"
            assert twice[figure] == pytest.approx(once[figure], abs=0.6 if noisy_speed else 0.02 * once[figure])


@EVERY
def test_a_shifted_start_changes_no_figure(name):
    batch = MADE[name]()
    shifted = replace(batch, start_us=batch.start_us + 86_400_000_000 * 200 + 123_457)
    for found, expected in ((rows(shifted), rows(batch)), (wheel_rows(shifted), wheel_rows(batch))):
        for key, row in found.items():
            same_figures(row, expected[key], but=("started_at",))


@EVERY
def test_a_later_first_sample_moves_only_the_times(name):
    batch = MADE[name]()
    later = np.array([25], np.int64)
    cut = batch.take(later, batch.offsets[1:], np.array([0]))
    assert rows(cut, CLASSES) == rows(batch, CLASSES)
    found, expected = (rows(b)[batch.event_id[0]] for b in (cut, batch))
    for figure in ("braking_s", "lockup_s", "modulation_cycles", "initial_speed_mps"):
        if expected[figure] is None:
            assert found[figure] is None, figure
        elif name == "slow":  # the onset lies between two readings a second apart: a second at 5 m/s2 of doubt
            assert found[figure] == pytest.approx(expected[figure], abs=5.0), figure
        else:  # a shorter lead-in says a little less of noise and radii
            near = pytest.approx(expected[figure], rel=1e-3, abs=0.021 if figure == "braking_s" else None)
            assert found[figure] == near, figure
    if expected["onset_s"] is not None:
        assert found["onset_s"] == pytest.approx(expected["onset_s"] - batch.time_s[25])


@pytest.mark.parametrize("name", [name for name in MADE if name != "slow"])
def test_permuted_wheels_give_permuted_rows(name):
    batch = MADE[name]()
    swap = [3, 2, 1, 0]
    moved = replace(batch, wheel_speed_mps=batch.wheel_speed_mps[swap])
    found, expected = wheel_rows(moved), wheel_rows(batch)
    event_id = batch.event_id[0]
    for k, wheel in enumerate(batch.wheels):
        same_figures(found[event_id, wheel], expected[event_id, batch.wheels[swap[k]]], but=("wheel",))
    same_figures(
        rows(moved)[event_id], rows(batch)[event_id], but=("wheels_locked", "wheels_modulated", "modulation_seen_hz")
    )


def test_a_drive_gives_the_events_that_are_in_it():
    """Two stops in one drive: the figures of each one cut out, and ids that do not depend on the file."""
    one, two = _locking(), _locking()
    gap = one.time_s[-1] + 0.02
    time_s = np.concatenate((one.time_s, two.time_s + gap))
    turning = {w: np.tile(one.wheel_speed_mps[k], 2) for k, w in enumerate(one.wheels)}
    asked = {"brake_pressure_kpa": np.tile(one.channel("brake_pressure_kpa"), 2)}
    speed = np.tile(one.channel("speed_mps"), 2)
    asked["brake_pressure_kpa"][(time_s > 6.5) & (time_s < 8.0)] = 0.0
    drive = make_batch(time_s, speed, turning, asked, continuous=True)
    found = features(drive).events.to_pylist()
    assert [row["wheels_locked"] for row in found] == ["2L", "2L"]
    assert [row["continuous"] for row in found] == [True, True]
    cut = rows(one)["locking"]
    for name in ("lockup_s", "braking_s", "mfdd_mps2", "braking_distance_m"):
        assert found[0][name] == pytest.approx(cut[name], rel=1e-6), name
    late = replace(drive.take(np.array([300]), drive.offsets[1:], np.array([0])), continuous=True)
    assert late.start_us[0] > START_US
    assert features(late).events.column("event_id").to_pylist()[-1] == found[-1]["event_id"]
