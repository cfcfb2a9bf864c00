"""Fixtures that several folders of tests share. Being here also puts ``tests/`` on the path of their helper modules."""

import gc
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import one_thread  # noqa: F401 - before NumPy
import pytest
from product_run import Published, publish
from xdist.scheduler import LoadFileScheduling

from fleetbrake.features.compiled import compile_missing

#: Files of most work: a worker takes a whole file, and one that comes late leaves the others waiting. Of those that go
#: together (below) the first one is enough.
LONGEST_FIRST = (
    "test_walk.py",
    "test_check_repair.py",
    "test_cluster_reads.py",
    "test_kills.py",
    "test_sign_in.py",
    "test_forget_driver.py",
    "test_hostile.py",
    "test_places.py",
    "test_doors_pages.py",
    "test_demo.py",
    "test_findings_back.py",
    "test_inspections_actions.py",
    "test_hostile_pages.py",
    "test_store_publishing.py",
    "test_vehicle_health.py",
    "test_inspection_evidence.py",
    "test_alone.py",
    "test_time.py",
    "test_parquet.py",
    "test_month_page.py",
    "test_vehicle_page.py",
    "test_proving_fleet.py",
    "test_flags.py",
    "test_pages.py",
    "test_bounds.py",
    "test_ranked_list.py",
    "test_wishes.py",
    "test_commands.py",
    "test_store_publish.py",
    "test_learning.py",
    "test_causes.py",
    "test_driver_regression.py",
    "test_driver_style.py",
    "test_store_published.py",
    "test_learned_scores.py",
    "test_a_night_and_a_month.py",
    "test_retain.py",
    "test_naive_ingest.py",
    "test_month_pdf.py",
    "test_indicators.py",
    "test_answered.py",
)

#: Below ``tests``: where the short forms of the counted trials are, and the two that go with them.
TRIALS = ("faults/test_", "upkeep/test_check", "browser/test_hostile_pages.py")


def pytest_configure(config: pytest.Config) -> None:
    """In a fresh checkout kernels are compiled before the workers start, since each would compile all of them."""
    if not hasattr(config, "workerinput"):
        compile_missing()


#: Files that share what is dear (a server, a cluster, a store of every part): one worker takes all of them.
TOGETHER = ("tests/cluster/", "tests/faults/test_doors_", "tests/upkeep/test_check")


class _Units(LoadFileScheduling):  # type: ignore[misc]
    """As ``--dist loadfile``, but for the files that go together."""

    def _split_scope(self, nodeid: str) -> str:
        return next((name for name in TOGETHER if nodeid.startswith(name)), super()._split_scope(nodeid))


#: More workers gain little: the longest files that go together are some minutes each.
MOST_WORKERS = 4


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int | None:
    """One for each core that this process may use, in a container too; the variable of pytest-xdist counts first."""
    if "PYTEST_XDIST_AUTO_NUM_WORKERS" in os.environ:
        return None
    import joblib  # brings NumPy in, which the settings above have to come before

    return min(MOST_WORKERS, max(2, joblib.cpu_count()))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """The scheduler of ``--dist loadfile``; None leaves any other way of sharing the work out as it is."""
    return _Units(config, log) if config.getvalue("dist") == "loadfile" else None


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
