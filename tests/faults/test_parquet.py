"""Damaged, wrong and hostile recordings: each is told or read, within bounds, and never costs the others.

The short form of ``parquet``, ``odd`` and ``fuzz`` (see ``long_form.py``).
"""

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from faults.fuzz_recordings import fuzz
from faults.odd_trials import cases, one_each, pairs, try_channels
from faults.parquet_bases import bases
from faults.parquet_bounds import MOST_MB, Bounded, against
from faults.parquet_mutations import FAMILIES, made, plan
from faults.parquet_trials import try_files, try_ingests
from faults.tally import Tally

SEED = 20260105


@pytest.fixture(scope="module")
def reading(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bounded]:
    with Bounded(tmp_path_factory.mktemp("tried")) as process:
        yield process


def _held(tally: Tally) -> Tally:
    assert not tally.failures, "\n".join(tally.failures)
    return tally


def test_damaged_and_hostile_files(reading: Bounded) -> None:
    tally = _held(try_files(reading, SEED, plan(100)))
    assert tally.trials >= 100
    assert tally.parts["rejected"] > 50  # the changes do reach what matters
    assert tally.parts["loaded"] > 10  # and are not all of them gross


@pytest.mark.parametrize(
    ("family", "seed", "number"),
    [
        ("contradictions", 1, 0),  # ended the process: facts of a column asked of the decoding library
        ("many row groups", 1, 0),  # rows, but no row group: an error of our own
        ("bombs", 1, 1),  # 1 GB out of a page
        ("huge texts", 1, 8),  # 16 MB in every row
        ("many rows", 1, 0),  # billions of rows, without end
    ],
)
def test_what_was_found_before(reading: Bounded, family: str, seed: int, number: int) -> None:
    data, said = made(family, seed, number)
    told = reading.read(data)
    assert against(told) is None, said
    assert told["seconds"] < 5.0, said  # processor's; they were endless


def test_damaged_files_do_not_cost_the_sound_ones(tmp_path: Path) -> None:
    _held(try_ingests(tmp_path, SEED, 0, 1))


def test_every_channel_may_hold_anything(tmp_path: Path) -> None:
    rng = np.random.default_rng(SEED)
    tally = _held(try_channels(tmp_path, SEED, cases([*one_each(rng), *pairs(rng, 20)])))
    assert tally.parts["loaded"] > tally.trials // 4


def test_the_fuzzer_finds_nothing(reading: Bounded) -> None:
    tally = _held(fuzz(reading, SEED, rounds=1, a_round=60))
    assert tally.trials >= 50
    assert len(tally.parts) == 3


def test_the_same_seed_makes_the_same_file() -> None:
    for family, (_, weight) in FAMILIES.items():
        if weight and family != "bombs":
            assert made(family, SEED, 3) == made(family, SEED, 3), family


def test_whatever_goes_against_what_must_hold_is_told(reading: Bounded) -> None:
    """The judge itself: each way in which a reading can fail is one that it calls so."""
    sound = reading.read(bases()[0])
    assert against(sound) is None
    assert sound["status"] == "loaded" and sound["events"] == 3
    for change in (
        {"status": None},
        {"status": "rejected", "reason": None},
        {"status": "rejected", "reason": "something is wrong", "events": 0},
        {"status": "rejected", "reason": "tried.parquet: cannot be read (KeyError: 'x')"},
        {"heard": ["builtins.IndexError: 0 out of bounds"]},
        {"heard": ["pyarrow.lib.ArrowNotImplementedError: Unsupported cast from duration to double"]},
        {"infinite": ["peak_decel_mps2"]},
        {"mb": MOST_MB + 1},
    ):
        assert against(sound | change), change


def test_a_process_that_dies_is_told_and_another_one_begun(reading: Bounded) -> None:
    reading.read(bases()[0])
    assert reading._child is not None
    os.kill(reading._child.pid, signal.SIGSTOP)
    reading._child.send_signal(signal.SIGKILL)
    assert against(reading.read(bases()[0])) == "the process died of it: SIGKILL"
    assert reading.deaths == 1
    assert against(reading.read(bases()[0])) is None
