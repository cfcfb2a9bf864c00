"""A small fleet's folder with a configuration, and a night that has run there."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.unattended.small_fleet import DRIVER, Fleet, Night, make_fleet, strict_json


@pytest.fixture
def fleet(tmp_path: Path) -> Callable[..., Fleet]:
    """``fleet(more="...")`` makes one in a fresh folder."""
    return lambda **how: make_fleet(tmp_path / "fleet", **how)


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    """One recording that is good, one that is not, a folder that is not there."""
    made = make_fleet(tmp_path_factory.mktemp("night") / "fleet")
    config = made.config.read_text("utf-8").replace('["recordings"]', '["recordings", "gone"]')
    made.config.write_text(config, encoding="utf-8")
    (made.folder / "recordings" / f"driver_id={DRIVER}").mkdir()
    (made.folder / "recordings" / f"driver_id={DRIVER}" / "bad.parquet").write_text("no")
    program = made.process("nightly", "--json")
    out, said = program.communicate(timeout=120)
    lines = out.splitlines()
    return Night(made, program.returncode, strict_json(lines[-1]), said, lines)
