"""Stores for the tests of verifying and repairing: made once, and copied by whoever damages them."""

import shutil
from pathlib import Path

import pytest
from check_made import make_plain_store, with_all_parts


@pytest.fixture(scope="session")
def sound_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store in which nobody was forgotten and nothing is held, with its recordings beside it."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        return make_plain_store(tmp_path_factory.mktemp("sound"), monkeypatch)


@pytest.fixture(scope="session")
def full_store(sound_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with every part."""
    store = tmp_path_factory.mktemp("full") / "store"
    shutil.copytree(sound_store, store)
    return with_all_parts(store)
