"""The two measured recordings, and copies of them that say the same, through their mapping files and ingest.

Recordings and what a person works out of them by hand: ``data_samples/measured/README.md``. ``full_brake_stop`` is of
project ROADVIEW, ``everyday_driving`` of the data set comma2k19 (both MIT licence; open data).
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from a_few import a_few
from product_run import WHEELS, Published, publish

SAMPLES = Path(__file__).parents[2] / "data_samples"
STOP, DRIVE = "full_brake_stop", "everyday_driving"
SOURCE_WHEEL = {"1L": "wheel_fl_radps", "1R": "wheel_fr_radps", "2L": "wheel_rl_radps", "2R": "wheel_rr_radps"}
#: Distance from the first movement of the pedal to standstill, by hand from the file; 2 % as the edges have it.
DISTANCE_M = 20.9


def rules(name: str) -> str:
    """Path of a mapping file."""
    return str(SAMPLES / "mappings" / f"{name}.toml")


@pytest.fixture
def stop() -> pd.DataFrame:
    """The measured stop with its own names and units."""
    return pq.read_table(SAMPLES / "measured" / f"{STOP}.parquet").to_pandas()


@pytest.fixture
def drive() -> pd.DataFrame:
    """The measured drive without any braking."""
    return pq.read_table(SAMPLES / "measured" / f"{DRIVE}.parquet").to_pandas()


@pytest.fixture
def run(tmp_path: Path) -> Callable[..., Published]:
    """One frame through its mapping file (by default that of the stop) and ingest."""

    def _run(frame: pd.DataFrame, mapping: str = rules(STOP)) -> Published:
        return publish(tmp_path, {"r.parquet": pa.Table.from_pandas(frame, preserve_index=False)}, mapping=mapping)

    return _run


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Published:
    """The measured stop as it is, published once: to be read only."""
    table = pq.read_table(SAMPLES / "measured" / f"{STOP}.parquet")
    return publish(tmp_path_factory.mktemp("plain"), {"r.parquet": table}, mapping=rules(STOP))


def check_classes(found: Published, wheels: tuple[str, ...] = WHEELS) -> pd.Series:
    """One event: a hard stop, modulated on every wheel, no wheel locked, 20.9 m; returns its row."""
    assert found.summary.problems == []
    assert len(found.events) == 1
    event = found.events.iloc[0]
    assert event.hard_stop == True  # noqa: E712 - must be true, not merely not NULL
    assert event.modulation == True  # noqa: E712
    assert event.lockup == False  # noqa: E712
    assert event.lockup_above_cutoff == False  # noqa: E712
    assert event.lockup_s == 0.0
    assert event.braking_distance_m == pytest.approx(DISTANCE_M, rel=0.02)
    rows = found.wheels.loc[event.name]
    assert tuple(rows.index) == wheels
    assert (rows.modulation_cycles >= 2).all()
    assert (rows.lockup == False).all()  # noqa: E712 - a column with None
    assert (rows.lockup_s == 0.0).all()
    return event


def resampled(frame: pd.DataFrame, times: np.ndarray) -> pd.DataFrame:
    """The recording at other times, linear between its samples."""
    return pd.DataFrame({c: np.interp(times, frame.t_s, frame[c]) for c in frame.columns} | {"t_s": times})


def even(frame: pd.DataFrame, rate_hz: float) -> np.ndarray:
    """Even times at a rate over the whole recording."""
    return np.arange(frame.t_s.iloc[0], frame.t_s.iloc[-1], 1.0 / rate_hz)


def test_measured_stop(plain: Published) -> None:
    """Exactly one event with the classes and figures of the hand calculation (computed).

    Slip above 5 m/s peaks at 0.20 to 0.225 and rises through 0.10 four or five times on each wheel; v0 = 18.91 m/s;
    v0^2 / 2d = 8.55 m/s2; the pedal goes on at 6.751 s, standstill at 8.673 s.
    """
    found = plain
    event = check_classes(found)
    assert event.initial_speed_mps == pytest.approx(18.91, abs=0.05)  # noise of one sample
    assert event.final_speed_mps == pytest.approx(0.0, abs=0.3)  # standstill of the edge
    assert event.braking_s == pytest.approx(8.673 - 6.751, abs=0.021)  # a sample at each end
    assert event.initial_speed_mps**2 / (2 * event.braking_distance_m) == pytest.approx(8.55, rel=0.02)
    assert 8.55 < event.peak_decel_mps2 < 12.0  # between the mean with build-up and the greatest 0.1 s mean
    assert event.emergency_application == True  # noqa: E712
    slip = found.wheels.peak_slip
    # the hand figures leave out speeds under 5 m/s, where slip grows towards standstill
    assert (slip >= 0.195).all()
    assert (slip < 0.9).all()
    assert found.wheels.modulation_cycles.between(2, 6).all()


def test_measured_drive_has_no_event(run: Callable[..., Published], drive: pd.DataFrame) -> None:
    """60 s in which nobody braked, with 13 pairs of nearly equal time stamps: no event of any class."""
    found = run(drive, rules(DRIVE))
    assert found.events.empty
    assert found.wheels.empty
    assert (found.summary.loaded, found.summary.rejected, found.summary.problems) == (1, 0, [])


def test_measured_drive_from_wheels_alone_has_no_event(
    run: Callable[..., Published], drive: pd.DataFrame, tmp_path: Path
) -> None:
    """Without the vehicle speed the wheels must not make one up: corners differ by up to 0.89 m/s."""
    lines = Path(rules(DRIVE)).read_text(encoding="utf-8").splitlines()
    mapping = tmp_path / "wheels.toml"
    mapping.write_text("\n".join(line for line in lines if not line.startswith("speed_mps")), encoding="utf-8")
    found = run(drive.drop(columns="v_mps"), str(mapping))
    assert found.events.empty
    assert (found.summary.loaded, found.summary.problems) == (1, [])


@pytest.mark.parametrize("rate_hz", [50.0, 83.0])
def test_resampled_copies(run: Callable[..., Published], stop: pd.DataFrame, rate_hz: float) -> None:
    check_classes(run(resampled(stop, even(stop, rate_hz))))


@pytest.mark.parametrize("seed", a_few([1, 2, 3], 0))
def test_jittered_copies(run: Callable[..., Published], stop: pd.DataFrame, seed: int) -> None:
    """100 Hz with stamps up to 4 ms early or late, values of the true times: what a loaded logger writes."""
    times = even(stop, 100.0)[1:-1]
    jitter = np.random.default_rng(seed).uniform(-0.004, 0.004, times.size)
    check_classes(run(resampled(stop, times + jitter)))


def test_time_shifted_copy(run: Callable[..., Published], stop: pd.DataFrame, plain: Published) -> None:
    """The same stop 12 345.678 s later: the same figures, another time and id."""
    first = check_classes(plain)
    later = check_classes(run(stop.assign(t_s=stop.t_s + 12_345.678)))
    assert (later.started_at - first.started_at).total_seconds() == pytest.approx(12_345.678, abs=1e-3)
    assert later.name != first.name
    figures = ["braking_distance_m", "peak_decel_mps2", "mfdd_mps2", "initial_speed_mps", "modulation_cycles"]
    assert later[figures].tolist() == pytest.approx(first[figures].tolist(), rel=1e-6)


@pytest.mark.parametrize(
    "order", a_few([(("1R", "1L", "2R", "2L"),), (("2L", "2R", "1L", "1R"),), (("2R", "1L", "1R", "2L"),)], 2)
)
def test_wheel_permuted_copies(
    run: Callable[..., Published], stop: pd.DataFrame, plain: Published, order: tuple[str, ...]
) -> None:
    """Wheels change places: the classes of the event stay, and each wheel's figures move with its signal."""
    moved = dict(zip(WHEELS, order, strict=True))
    swapped = stop.assign(**{SOURCE_WHEEL[to]: stop[SOURCE_WHEEL[of]] for of, to in moved.items()})
    found = run(swapped)
    event = check_classes(found)
    before = plain.events.iloc[0]
    for figure in ("braking_distance_m", "peak_decel_mps2", "modulation_cycles"):
        assert event[figure] == pytest.approx(before[figure], rel=1e-9)
    for of, to in moved.items():
        for figure in ("peak_slip", "modulation_cycles", "free_slip"):
            assert found.wheels[figure][(event.name, to)] == pytest.approx(plain.wheels[figure][(before.name, of)])


def test_drive_and_stop_in_one_file(
    run: Callable[..., Published], stop: pd.DataFrame, drive: pd.DataFrame, tmp_path: Path
) -> None:
    """One vehicle's file with the drive and 30 s later the stop: exactly the one event of the stop."""
    names = {f"wheel_{w}_mps": f"wheel_{w}_radps" for w in ("fl", "fr", "rl", "rr")}
    radius = 0.3459  # m, as in the mapping file
    first = drive.rename(columns=names)
    first[list(names.values())] /= radius
    first = first.assign(t_s=first.t_s - first.t_s.iloc[0])
    second = stop.assign(t_s=stop.t_s - stop.t_s.iloc[0] + first.t_s.iloc[-1] + 30.0)
    both = pd.concat([first, second], ignore_index=True)
    assert both.t_s.is_monotonic_increasing
    event = check_classes(run(both))
    assert event.row_start >= len(drive)  # nothing of the drive is in the event


def test_stop_without_the_pedal(run: Callable[..., Published], stop: pd.DataFrame, tmp_path: Path) -> None:
    """Without a demand channel the deceleration speaks: still one event of the same classes.

    It begins with the start of deceleration. The vehicle coasted down at about 1.5 m/s2 from 22.1 m/s for some 2 s
    before the pedal moved, and nothing in the recording tells that from light braking, so the event begins there.
    """
    lines = Path(rules(STOP)).read_text(encoding="utf-8").splitlines()
    mapping = tmp_path / "no_pedal.toml"
    mapping.write_text("\n".join(line for line in lines if not line.startswith("brake_pedal")), encoding="utf-8")
    found = run(stop.drop(columns="brake_pedal_01"), str(mapping))
    assert len(found.events) == 1
    event = found.events.iloc[0]
    assert event.demand_kind == "deceleration"
    assert 18.91 <= event.initial_speed_mps < 22.2
    assert event.braking_s < 1.922 + 2.2
    assert (event.hard_stop, event.modulation, event.lockup) == (True, True, False)
    assert (found.wheels.modulation_cycles >= 2).all()


def test_stop_as_a_cut_recording(
    run: Callable[..., Published], stop: pd.DataFrame, plain: Published, tmp_path: Path
) -> None:
    """From 2 s before the pedal on and with an event id: the same classes and figures as the continuous file."""
    whole = check_classes(plain)
    mapping = tmp_path / "cut.toml"
    text = Path(rules(STOP)).read_text(encoding="utf-8")
    mapping.write_text(text.replace("[columns]", '[columns]\nevent_id = "stop"'), encoding="utf-8")
    cut = stop[stop.t_s >= 4.75].assign(stop="stop-1")
    event = check_classes(run(cut, str(mapping)))
    assert event.name == "stop-1"
    for figure in ("braking_distance_m", "braking_s", "peak_decel_mps2", "mfdd_mps2", "initial_speed_mps"):
        assert event[figure] == pytest.approx(whole[figure], rel=0.005)  # smoothing at the cut's edges
    assert event.modulation_cycles == whole.modulation_cycles
