"""Who else on the machine can look into a store: nobody, unless its folder was made for them before."""

import os
import stat
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from fleetbrake.core.private import make_private
from fleetbrake.reports.aliases import aliases
from fleetbrake.store.entered import enter
from fleetbrake.store.entered_rows import DateFixed
from fleetbrake.store.files import write_bytes
from fleetbrake.store.lock import writer_lock
from fleetbrake.store.runs import begin, living
from fleetbrake.unattended.heartbeat import Heartbeat, heartbeat_file
from fleetbrake.unattended.logs import logging_to

pytestmark = pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")


@pytest.fixture(autouse=True)
def open_umask() -> Iterator[None]:
    """The most open one that somebody could have."""
    before = os.umask(0)
    yield
    os.umask(before)


def _mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def _lock(store: Path) -> None:
    with writer_lock(store, "ingest"):
        pass


def _run(store: Path) -> None:
    with living(store, "r"):
        pass


def _log(store: Path) -> None:
    with logging_to(store / "logs", 30, "info", job="nightly", run_id="r", stage=lambda: "", clean=str) as log:
        log.info("at %s", datetime.now(UTC))


#: Whatever may be the first to write into a store that is not there yet.
_FIRST: dict[str, Callable[[Path], object]] = {
    "lock": _lock,
    "run": _run,
    "log": _log,
    "file": lambda store: write_bytes(store / "registers" / "x", b""),
    "heartbeat": lambda store: Heartbeat(heartbeat_file(store, "nightly"), "nightly", "r", datetime.now(UTC)).beat(),
}


@pytest.mark.parametrize("first", list(_FIRST))
def test_a_new_store_is_its_owners_alone(first: str, tmp_path: Path) -> None:
    store = tmp_path / "data" / "store"
    _FIRST[first](store)
    assert store.is_dir()
    assert _mode(store) == 0o700 and _mode(store.parent) == 0o700


@pytest.mark.parametrize("mode", [0o755, 0o2770])
def test_a_folder_that_was_made_for_others_stays_theirs(mode: int, tmp_path: Path) -> None:
    store = tmp_path / "store"
    store.mkdir()
    store.chmod(mode)
    for first in _FIRST.values():
        first(store)
    assert _mode(store) == mode


def test_what_is_made_in_a_folder_of_a_group_is_the_groups(tmp_path: Path) -> None:
    """As the README says: the folder 2770, and a umask of 007 for whoever writes it."""
    os.umask(0o007)
    store = tmp_path / "store"
    store.mkdir()
    store.chmod(0o2770)
    for first in _FIRST.values():
        first(store)
    with living(store, "run"):
        begin(store, "run", "nightly", datetime.now(UTC), None)
        enter(store, "planner", "van-1", DateFixed(on=None))
        folders = {path.name: _mode(path) for path in store.rglob("*") if path.is_dir()}
        files = {path.name: _mode(path) & 0o660 for path in store.rglob("*") if path.is_file()}
    assert set(folders) >= {"registers", "logs", "running"} and set(folders.values()) == {0o2770}
    assert set(files) >= {"entered.sqlite", "runs.sqlite", "remembered.lock"} and set(files.values()) == {0o660}


def test_a_new_store_beside_a_groups_is_its_owners_alone(tmp_path: Path) -> None:
    tmp_path.chmod(0o2770)
    store = tmp_path / "store"
    with writer_lock(store, "ingest"):
        write_bytes(store / "registers" / "x", b"")
    assert _mode(store) & 0o777 == _mode(store / "registers") & 0o777 == 0o700


def test_keys_are_their_owners_alone_everywhere(tmp_path: Path) -> None:
    tmp_path.chmod(0o777)
    aliases(tmp_path)
    keys = list(tmp_path.glob("*.key"))
    assert keys and all(_mode(key) == 0o600 for key in keys)


@pytest.mark.parametrize(("mode", "of_key"), [(0o2770, 0o640), (0o770, 0o600), (0o2777, 0o600), (0o2750, 0o600)])
def test_a_group_that_writes_the_store_can_read_its_keys(mode: int, of_key: int, tmp_path: Path) -> None:
    store = tmp_path / "store"
    store.mkdir()
    store.chmod(mode)
    aliases(store)
    assert [_mode(key) for key in store.glob("*.key")] == [of_key]


def test_a_file_in_the_folders_place_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    for place in (tmp_path / "file", tmp_path / "file" / "store"):
        with pytest.raises(OSError):
            make_private(place)
