"""Stores for the tests of verifying and repairing: made once, and copied by whoever damages them."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from check_made import copied, make_plain_store, with_all_parts
from put_back import lake_of, refused_run


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


@pytest.fixture
def others(sound_store: Path, tmp_path: Path) -> Callable[[str], Path]:
    """Makes another recording of this name."""
    content = next((sound_store.parent / "later").glob("*.parquet")).read_bytes()

    def _other(name: str) -> Path:
        path = tmp_path / f"{name}.parquet"
        path.write_bytes(content)
        return path

    return _other


@pytest.fixture
def changed(sound_store: Path) -> bytes:
    """Content of a recording that comes in the place of another."""
    return next((sound_store.parent / "first").glob("*.parquet")).read_bytes()


@pytest.fixture
def refused(sound_store: Path, tmp_path: Path, others: Callable[[str], Path]) -> tuple[Path, dict[str, bytes], Path]:
    """A store after a run that was refused, the files of its lake before, and the recording: it is in the lake and in
    the log, and nowhere else."""
    store, recording = copied(sound_store, tmp_path), others("again")
    lake = lake_of(store)
    refused_run(store, recording)
    return store, lake, recording
