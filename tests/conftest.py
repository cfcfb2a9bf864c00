"""Fixtures that several folders of tests share. Being here also puts ``tests/`` on the path of their helper modules."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from product_run import Published, publish


@pytest.fixture
def published(tmp_path: Path) -> Callable[..., Published]:
    """Runs recordings through the product's own ingest in a fresh store: ``published({"a.parquet": table}, ...)``."""

    def _published(files: dict[str, Any], **how: Any) -> Published:
        return publish(tmp_path, files, **how)

    return _published
