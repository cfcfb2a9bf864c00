"""Fixtures that several folders of tests share. Being here also puts ``tests/`` on the path of their helper modules."""

import gc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import one_thread  # noqa: F401 - before NumPy
import pytest
from product_run import Published, publish

from fleetbrake.features.compiled import compile_missing

#: Files of most work: a worker takes a whole file, and one that comes late leaves the others waiting.
LONGEST_FIRST = (
    "test_walk.py",
    "test_kills.py",
    "test_places.py",
    "test_sign_in.py",
    "test_forget_driver.py",
    "test_check_repair.py",
    "test_inspections_actions.py",
    "test_demo.py",
    "test_vehicle_health.py",
    "test_hostile.py",
    "test_findings_back.py",
    "test_alone.py",
    "test_hostile_pages.py",
    "test_parquet.py",
    "test_inspection_evidence.py",
    "test_ranked_list.py",
    "test_proving_fleet.py",
    "test_flags.py",
    "test_store_publishing.py",
    "test_cluster_reads.py",
    "test_time.py",
    "test_driver_regression.py",
    "test_month_page.py",
    "test_vehicle_page.py",
    "test_wishes.py",
    "test_check.py",
    "test_pages.py",
    "test_naive_ingest.py",
    "test_bounds.py",
    "test_cluster_handover.py",
    "test_learning.py",
    "test_answered.py",
    "test_commands.py",
    "test_store_publish.py",
    "test_causes.py",
    "test_nothing_leaks.py",
)

#: Below ``tests``: where the short forms of the counted trials are, and the two that go with them.
TRIALS = ("faults/test_", "upkeep/test_check", "browser/test_hostile_pages.py")


def pytest_configure(config: pytest.Config) -> None:
    """In a fresh checkout kernels are compiled before the workers start, since each would compile all of them."""
    if not hasattr(config, "workerinput"):
        compile_missing()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    place = {name: at for at, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: place.get(item.path.name, len(place)))
    here = Path(__file__).parent
    for item in items:
        if item.path.is_relative_to(here) and item.path.relative_to(here).as_posix().startswith(TRIALS):
            item.add_marker("trial")


def pytest_collection_finish(session: pytest.Session) -> None:
    """Modules live as long as the worker does: the collector need not walk through them again and again."""
    gc.collect()
    gc.freeze()


@pytest.fixture
def published(tmp_path: Path) -> Callable[..., Published]:
    """Runs recordings through the product's own ingest in a fresh store: ``published({"a.parquet": table}, ...)``."""

    def _published(files: dict[str, Any], **how: Any) -> Published:
        return publish(tmp_path, files, **how)

    return _published
