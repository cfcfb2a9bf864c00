"""The threads of one machine: files come back in the order they were handed out, however long each takes."""

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fleetbrake import taking_in
from fleetbrake.core.errors import StoreError
from fleetbrake.handing_out import Fate, Handed, Taken
from fleetbrake.recordings.sources import Source
from fleetbrake.store.gathering import Gathering
from fleetbrake.taking_in import Threads

FILES = 300


def files(begun: list[int] | None = None) -> Iterator[Handed]:
    for number in range(FILES):
        if begun is not None:
            begun.append(number)
        yield Handed(Source(f"/r/{number}.parquet"), str(number))


def test_files_come_back_in_order_and_a_slow_one_holds_up_few(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    others = threading.Event()
    begun: list[int] = []
    read: list[int] = []

    def read_file(handed: Handed, job: Any) -> Taken:
        del job
        number = int(handed.path)
        if number == 7:
            assert others.wait(60)  # until many that were handed out later have been read
        read.append(number)
        if len(read) == 40:
            others.set()
        return Taken(Fate.KNOWN, handed.path)

    monkeypatch.setattr(taking_in, "read_file", read_file)
    at_hand = []
    back = []
    for handed, taken in Threads(Gathering(tmp_path)).read(files(begun), None):  # type: ignore[arg-type]
        back.append(int(handed.path))
        at_hand.append(len(begun) - len(back))
        assert taken.sha256 == handed.path
    assert back == list(range(FILES))
    assert read != back
    assert 0 < max(at_hand) < taking_in._IN_HAND


def test_an_error_of_the_store_ends_the_run_without_reading_the_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[int] = []

    def read_file(handed: Handed, job: Any) -> Taken:
        del job
        if handed.path == "5":
            raise StoreError("full")
        return Taken(Fate.KNOWN, handed.path)

    monkeypatch.setattr(taking_in, "read_file", read_file)
    back = []
    with pytest.raises(StoreError, match="full"):
        for handed, _ in Threads(Gathering(tmp_path)).read(files(begun), None):  # type: ignore[arg-type]
            back.append(handed.path)
    assert back == ["0", "1", "2", "3", "4"]
    assert len(begun) <= 5 + taking_in._IN_HAND
