"""The browser that the tests of this folder drive. Being here also puts this folder on the path of ``serving``."""

import os
import shutil
from collections.abc import Iterator
from typing import Any

import pytest
from serving import REBOUND, chromium_browser


@pytest.fixture(scope="session")
def chromium() -> str:
    """The installed browser; skipped with a reason on a developer's machine, owed where the project is checked."""
    owed = os.environ.get("CI") == "true"
    if not owed:
        pytest.importorskip("playwright.sync_api")
    for name in ("chromium", "chromium-browser", "google-chrome", "chrome"):
        found = shutil.which(name)
        if found:
            return found
    reason = "no Chromium on this machine: install the distribution's package 'chromium'"
    pytest.fail(reason) if owed else pytest.skip(reason)
    raise AssertionError("unreachable")


@pytest.fixture(scope="session")
def browser(chromium: str) -> Iterator[Any]:
    """One browser for all tests of this folder: two of them cannot be driven at a time, and starting one takes long."""
    with chromium_browser(chromium, f"--host-resolver-rules=MAP {REBOUND} 127.0.0.1") as opened:
        yield opened
