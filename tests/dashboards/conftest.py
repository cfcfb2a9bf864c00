"""Pages run on built stores through the framework's own test driver."""

from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
from builders import build_store
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def stores(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Stores by name: filled, hostile, empty (all tables, no rows), none (a folder without a database)."""
    return {
        "filled": build_store(tmp_path_factory.mktemp("filled")),
        "hostile": build_store(tmp_path_factory.mktemp("hostile"), hostile=True),
        "empty": build_store(tmp_path_factory.mktemp("empty"), filled=False),
        "none": tmp_path_factory.mktemp("none"),
    }


@pytest.fixture(scope="session", autouse=True)
def _packages_looked_through_once() -> Iterator[None]:
    """The framework looks into every installed package for page components, for each page of a test anew."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(manifest_scanner, "scan_component_manifests", cache(manifest_scanner.scan_component_manifests))
        yield


@pytest.fixture
def open_page(stores: dict[str, Path], monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    """``open_page("vehicle", "filled", vehicle="BUS-011")`` runs the app at the address of that page."""

    def _open(view: str, store: str | Path | None, **parameters: str) -> AppTest:
        if store is None:
            monkeypatch.delenv("FLEETBRAKE_STORE", raising=False)
        else:
            monkeypatch.setenv("FLEETBRAKE_STORE", str(stores[store] if isinstance(store, str) else store))
        app = AppTest.from_file(str(ROOT / "dashboards" / "app.py"), default_timeout=60)
        if view != "inspections":
            app.switch_page(f"views/{view}.py")
        for name, value in parameters.items():
            app.query_params[name] = value
        return app.run()

    return _open
