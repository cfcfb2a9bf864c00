"""Recordings in object stores and other machines that read them, by the configuration of the night."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from fleetbrake import cli, pipeline
from fleetbrake.cluster import engine
from fleetbrake.cluster.machines import Machines
from fleetbrake.pipeline import IngestSummary
from fleetbrake.unattended.config import ConfigError, read_config
from tests.unattended.small_fleet import Fleet


def _config(folder: Path, more: str, folders: str = '["in"]') -> Path:
    path = folder / "fleet.toml"
    path.write_text(f'[store]\nfolder = "store"\n[recordings]\nfolders = {folders}\n{more}', encoding="utf-8")
    return path


def test_machines_and_addresses_of_recordings_are_read(tmp_path: Path) -> None:
    more = '[cluster]\nscheduler = "tls://head:8786"\nhandover = "s3://bucket/way/"\n[night]\ncheck_bytes = true\n'
    folders = '["in", "s3://bucket/recordings", "gs://other", "file:///srv/recordings"]'
    config = read_config(_config(tmp_path, more, folders), "recordings")
    assert config.cluster is not None and config.cluster.machines == Machines("tls://head:8786", "s3://bucket/way")
    assert config.recordings is not None and config.night.check_bytes
    wanted = [tmp_path / "in", "s3://bucket/recordings", "gs://other/", Path("/srv/recordings")]
    assert config.recordings.folders == wanted
    plain = read_config(_config(tmp_path, ""), "recordings")
    assert plain.cluster is None and not plain.night.check_bytes


def test_every_address_that_is_none_is_told_by_its_key(tmp_path: Path) -> None:
    more = '[cluster]\nscheduler = "head"\nhandover = "way"\ntip = 1\n'
    with pytest.raises(ConfigError) as refused:
        read_config(_config(tmp_path, more, '["s3://name:hush@bucket/a", "ftp://host/a"]'), "recordings")
    problems = refused.value.problems
    assert len(problems) == 5 and all("hush" not in one for one in problems)
    keys = ["[recordings] folders.0 is no address", "[recordings] folders.1 is no address", "[cluster] scheduler is",
            "[cluster] handover is no address", "[cluster] tip is no key"]  # fmt: skip
    assert all(any(one.startswith(key) for one in problems) for key in keys), problems


def test_the_night_has_its_recordings_read_by_the_machines_of_its_file(
    fleet: Callable[..., Fleet], monkeypatch: pytest.MonkeyPatch
) -> None:
    here = fleet(more='[cluster]\nscheduler = "tcp://127.0.0.1:1"\n')
    asked: list[dict[str, Any]] = []

    def noted(*_: object, **how: Any) -> IngestSummary:
        asked.append(how)
        return IngestSummary()

    with monkeypatch.context() as patch:
        patch.setattr(pipeline, "ingest", noted)
        here.facts("nightly")
    assert (asked[0]["machines"], asked[0]["check_bytes"]) == (Machines("tcp://127.0.0.1:1"), False)
    monkeypatch.setattr(engine, "CONNECT_S", 0.5)
    status, facts = here.facts("nightly")  # nobody listens there
    assert status == 2 and "tcp://127.0.0.1:1 does not answer" in str(facts["error"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--scheduler", "head"], "written like tcp://host:8786"),
        (["--handover", "s3://bucket/way"], "name its scheduler too"),
        (["--scheduler", "tcp://head:1", "--handover", "way"], "an address is expected"),
    ],
)
def test_the_command_refuses_what_is_no_address(tmp_path: Path, words: list[str], said: str) -> None:
    done = CliRunner().invoke(cli.app, ["ingest", str(tmp_path), "--store", str(tmp_path / "store"), *words])
    assert done.exit_code == 2 and said in done.stderr
    assert not (tmp_path / "store").exists()
