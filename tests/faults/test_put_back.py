"""Parts of a store gone or older, one and two at a time: a sample of them; all are one command (``put_back``)."""

from pathlib import Path

import pytest
from faults.put_back_trials import Ground, Loss, drawn, tried

from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.remembered import REMEMBERED_NAME

pytestmark = [pytest.mark.slow, pytest.mark.trial]

#: Rows as they were before retention, beside the block that has them now.
_ROWS_OF_BEFORE = ("lake/events", "lake/event_wheels")
#: Each of the two was the only one that knew of the other; and all that know of the scores.
_WITNESSES = ("fleet.duckdb", REMEMBERED_NAME)
_ALL_WITNESSES = (*_WITNESSES, FORMAT_NAME)


def _lost(names: tuple[str, ...], *, gone: bool) -> Loss:
    return tuple((name, gone) for name in names)


def test_what_is_lost_is_told_or_set_right(tmp_path: Path) -> None:
    ground = Ground(tmp_path)
    losses = [_lost(_WITNESSES, gone=False), _lost(_WITNESSES, gone=True), _lost(_ROWS_OF_BEFORE, gone=False)]
    losses += drawn(ground, 24, seed=12)
    told = tried(ground, losses)
    assert told.failures == [] and told.trials == len(losses)
    assert told.parts["refused"] and told.parts["set right"]
    # what only those three know of is gone with them: these trials can fail
    assert ground.trial(_lost(_ALL_WITNESSES, gone=False))[0] == "unseen"
