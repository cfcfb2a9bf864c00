"""Built stores, one a session: nobody writes into them except the key for aliases."""

from pathlib import Path

import pytest
from builders import build_store


@pytest.fixture(scope="session")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_store(tmp_path_factory.mktemp("store"))


@pytest.fixture(scope="session")
def hostile_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_store(tmp_path_factory.mktemp("hostile"), hostile=True)


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build_store(tmp_path_factory.mktemp("empty"), filled=False)
