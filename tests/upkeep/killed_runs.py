"""Runs that end at a function, as by a kill."""

from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from fleetbrake.pipeline import ingest
from fleetbrake.store.log import IngestLog, LogEntry
from fleetbrake.store.log_writing import commit_log


def killed(run: Callable[[], object], where: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run it as far as a function, whose first call is the last thing that happens."""

    def _kill(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as changed:
        changed.setattr(where, _kill)
        with pytest.raises(KeyboardInterrupt):
            run()


def killed_before_the_commit(store: Path, recording: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its rows are in the lake then."""

    def _kill(of: Path, entries: Iterable[LogEntry]) -> IngestLog:
        listed = list(entries)
        if listed:
            raise KeyboardInterrupt
        return commit_log(of, listed)

    with monkeypatch.context() as changed:
        changed.setattr("fleetbrake.pipeline.commit_log", _kill)
        with pytest.raises(KeyboardInterrupt):
            ingest([recording], store)
