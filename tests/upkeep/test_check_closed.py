"""Files of a store that somebody else's rights keep from being opened: no damage, nothing is given up for it."""

import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from check_made import copied

from fleetbrake.core.errors import InputError, StoreError
from fleetbrake.store.forgetting.tombstones import read_tombstones
from fleetbrake.store.holding.holds import all_holds
from fleetbrake.store.secret_key import key_mode
from fleetbrake.upkeep.check import check_store

pytestmark = pytest.mark.skipif(os.name != "posix", reason="rights are POSIX's")

#: Numbers that nobody has.
_USER, _GROUP = 61_001, 61_002
#: What is closed, and the part that it belongs to.
_CLOSED = [
    ("forgotten.key", "forgotten"),
    ("forgotten.json", "forgotten"),
    ("driver-aliases.key", "aliases"),
    ("holds.json", "holds"),
    ("held", "holds"),
    ("retention.json", "rules"),
    ("dropped.parquet", "dropped"),
    ("registers/trips.parquet", "registers"),
    ("remembered.json", "forgotten"),
    ("lake/blocks", "recordings"),
]


@pytest.fixture(scope="module")
def shared_store(full_store: Path) -> Iterator[Path]:
    """A store that a group shares, in a folder that everybody can look into; keys are their owner's alone."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    store = copied(full_store, folder)
    for path in (store, *store.rglob("*")):
        if os.geteuid() == 0:
            os.chown(path, 0, _GROUP)
        path.chmod(0o2770 if path.is_dir() else 0o600 if path.suffix == ".key" else 0o660)
    yield store
    shutil.rmtree(folder)


@contextmanager
def _another_user(*closed: Path) -> Iterator[None]:
    """One of the group, who may not open these."""
    modes = {path: stat.S_IMODE(path.stat().st_mode) for path in closed}
    for path in closed:
        path.chmod(0o700 if os.geteuid() == 0 and path.is_dir() else 0o600 if os.geteuid() == 0 else 0)
    user, group, groups = os.geteuid(), os.getegid(), os.getgroups()
    try:
        if user == 0:
            os.setgroups([_GROUP])
            os.setegid(_GROUP)
            os.seteuid(_USER)
        yield
    finally:
        os.seteuid(user)
        if user == 0:
            os.setegid(group)
            os.setgroups(groups)
        for path, mode in modes.items():
            path.chmod(mode)


def _open_keys(store: Path) -> None:
    for path in store.glob("*.key"):
        path.chmod(0o640)


@pytest.mark.parametrize(("name", "part"), _CLOSED)
def test_nothing_that_cannot_be_opened_is_given_up(shared_store: Path, name: str, part: str) -> None:
    store = shared_store
    _open_keys(store)
    before = {path.relative_to(store) for path in store.rglob("*")} - {Path("store.holder.json")}
    with _another_user(store / name):
        for asked in ({"lost_for_good": part}, {"repair": True}):
            with pytest.raises(StoreError) as told:
                check_store(store, **asked)  # type: ignore[arg-type]
            assert "--lost-for-good" not in str(told.value) and "the right to read it" in str(told.value)
    assert {path.relative_to(store) for path in store.rglob("*")} - {Path("store.holder.json")} == before
    assert len(read_tombstones(store).stones) == 1 and len(all_holds(store)) == 1
    with _another_user(), pytest.raises(InputError, match="Nothing is lost"):  # its owner let them read it
        check_store(store, lost_for_good=part)


def test_a_key_of_another_user_is_not_called_gone(shared_store: Path) -> None:
    store = shared_store
    with _another_user(*store.glob("*.key")):
        found = check_store(store)
        with pytest.raises(StoreError, match="the right to read it") as told:
            read_tombstones(store)
    said = [one for outcome in found.outcomes for one in outcome.wrong.all()]
    assert len(said) == 3 and all("the right to read it" in one for one in said), said
    assert not any("gone" in one or "--lost-for-good" in one for one in (*said, str(told.value)))
    assert [one.notes.count for one in found.outcomes if one.name == "key files"] == [2]


def test_members_of_the_group_go_on_where_keys_are_theirs(shared_store: Path) -> None:
    """As a key is drawn in such a folder, see ``store.secret_key.key_mode``; a wider one is set right."""
    store = shared_store
    _open_keys(store)
    assert key_mode(store, (store / "forgotten.key").stat().st_gid) == 0o640
    with _another_user():
        assert check_store(store).sound
    (store / "forgotten.key").chmod(0o644)
    done = check_store(store, repair=True)
    assert not done.sound and done.after is not None and done.after.sound
    assert stat.S_IMODE((store / "forgotten.key").stat().st_mode) == 0o640
