"""Places that fail, and crowds, in the short form: see ``places_trials`` and ``crowd_trials``.

Each trial is a command in a process of its own on a small fleet: it must end with a sentence that says where and what,
leave what readers open, and give the rows of an undisturbed run when it is run again.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from faults import crowd_trials
from faults import places_trials as trials
from faults.places_denied import open_folder
from faults.places_jobs import Bench, make_bench

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="children are forked")


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with open_folder() as made:
        yield made


@pytest.fixture(scope="module")
def bench(folder: Path) -> Bench:
    return make_bench(folder)


def test_a_disk_that_gives_out_is_told_and_costs_nothing(bench: Bench, folder: Path) -> None:
    # the lake and the first word of a command: a step further each in the long form
    rooms = {"ingest": trials.ROOMS["ingest"][1:], "plan": trials.ROOMS["plan"], "entering": trials.ROOMS["entering"]}
    on_disk, on_files = trials.full(bench, folder, rooms, {"ingest": trials.LIMITS["ingest"]})
    assert not [*on_disk.failures, *on_files.failures]
    assert on_files.parts["refused"] == 1
    if on_disk.trials == 0:
        pytest.skip("this user may not mount a small file system; the limit to the size of files was tried")
    assert on_disk.parts["refused"] == 3


def test_what_may_not_be_written_or_read_is_told(bench: Bench) -> None:
    tally = trials.denied(bench, every=5, but=trials.DEAR)
    assert not tally.failures
    assert tally.parts["refused"] > 3 and tally.parts["told"] > 0


def test_recordings_that_go_away_lose_nothing_that_was_read_before(bench: Bench) -> None:
    tally = trials.gone(bench, every=6)
    assert not tally.failures
    assert tally.parts["told"] > 2


def test_a_store_that_goes_away_is_told_and_not_made_anew_elsewhere(bench: Bench) -> None:
    tally = trials.store_gone(bench, every=6, but=trials.DEAR)
    assert not tally.failures
    assert tally.parts["refused"] == tally.trials > 3


def test_nobody_in_a_crowd_loses_or_doubles_a_row(bench: Bench) -> None:
    tallies = crowd_trials.short(bench)
    assert not [failure for tally in tallies for failure in tally.failures]
    assert [tally.name for tally in tallies if tally.trials == 0] == ["writers that race"], "that is for the long form"
