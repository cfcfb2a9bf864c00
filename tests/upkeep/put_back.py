"""Parts of a store kept as they are, and put back later as from an older copy of it."""

from pathlib import Path

import pytest
from check_told import wrong_of

from fleetbrake.core.errors import StoreError
from fleetbrake.pipeline import ingest
from fleetbrake.store.log import read_log
from tests.faults.kill_state import contents


def kept(store: Path, *names: str) -> dict[str, bytes | None]:
    """The content of files of a store; None where there is none."""
    return {name: (store / name).read_bytes() if (store / name).exists() else None for name in names}


def put_back(store: Path, older: dict[str, bytes | None]) -> None:
    """Files as they were; gone where their content is None."""
    for name, content in older.items():
        (store / name).unlink(missing_ok=True)
        if content is not None:
            (store / name).parent.mkdir(parents=True, exist_ok=True)
            (store / name).write_bytes(content)


def lake_of(store: Path) -> dict[str, bytes]:
    """All files of the lake."""
    return {f"lake/{name}": content for name, content in contents(store / "lake").items()}


def put_lake_back(store: Path, lake: dict[str, bytes], **but: bytes | None) -> None:
    """The lake as it was; ``but``: its log is that, or gone."""
    gone = dict.fromkeys(lake_of(store))
    put_back(store, {**gone, **lake, **{f"lake/{name}.parquet": content for name, content in but.items()}})


def refused_run(store: Path, *recordings: Path) -> None:
    """A run that reads recordings and is refused before it publishes: what people entered is gone meanwhile."""
    whole = kept(store, "entered.sqlite")
    put_back(store, {"entered.sqlite": None})
    with pytest.raises(StoreError, match="entries` goes on without"):
        ingest(recordings, store)
    assert {str(one) for one in recordings} <= set(read_log(store).entries)
    put_back(store, whole)


def older(store: Path) -> bool:
    """Whether the log is told to be an older copy."""
    return any("is an older copy" in said for said in wrong_of(store, "log"))
