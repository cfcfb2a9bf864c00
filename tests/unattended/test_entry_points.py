"""The programs that an installation puts on the path, and the scripts beside them."""

import importlib
import runpy
import tomllib

import pytest
from typer.testing import CliRunner

from fleetbrake import cli_jobs
from tests.unattended.small_fleet import ROOT

SCRIPTS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["scripts"]


@pytest.mark.parametrize("name", SCRIPTS)
def test_every_program_is_there(name: str) -> None:
    module, _, function = SCRIPTS[name].partition(":")
    assert callable(getattr(importlib.import_module(module), function))


@pytest.mark.parametrize("job", ["nightly", "monthly"])
def test_script_and_program_are_the_same(job: str, monkeypatch: pytest.MonkeyPatch) -> None:
    called: list[str] = []
    monkeypatch.setattr(cli_jobs, job, lambda: called.append(job))
    runpy.run_path(str(ROOT / "jobs" / f"{job}.py"), run_name="__main__")
    assert called == [job] and SCRIPTS[f"fleetbrake-{job}"] == f"fleetbrake.cli_jobs:{job}"


@pytest.mark.parametrize("app", [cli_jobs.nightly_app, cli_jobs.monthly_app])
def test_help_tells_exit_status_and_an_example(app: object) -> None:
    done = CliRunner().invoke(app, ["--help"])  # type: ignore[arg-type]
    assert done.exit_code == 0 and "Exit status: 0 all done" in done.stdout and "--config fleet.toml" in done.stdout
