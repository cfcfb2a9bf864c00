"""Crowds in the short form: see ``crowd_trials``."""

import pytest
from faults.crowd_trials import short
from faults.places_denied import open_folder
from faults.places_jobs import make_bench

pytestmark = pytest.mark.skipif(not hasattr(__import__("os"), "fork"), reason="children are forked")


def test_nobody_in_a_crowd_loses_or_doubles_a_row() -> None:
    with open_folder() as folder:
        tallies = short(make_bench(folder))
    assert not [failure for tally in tallies for failure in tally.failures]
    assert {tally.name: tally.trials for tally in tallies if tally.trials == 0} == {"writers that race": 0}
