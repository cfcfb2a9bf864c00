"""What verifying a store tells."""

from pathlib import Path

import pytest

from fleetbrake.upkeep.check import check_store, recounted


def wrong_of(store: Path, *names: str) -> list[str]:
    """Sentences of the checks of these names; of all without any.

    The recount takes longest and is made only where it is asked for; no other check hangs on it.
    """
    with pytest.MonkeyPatch.context() as monkeypatch:
        if names and "recount" not in names:
            monkeypatch.setattr(recounted, "check_recount", lambda *_: None)
        found = check_store(store)
    return [said for one in found.outcomes if not names or one.name in names for said in one.wrong.all()]
