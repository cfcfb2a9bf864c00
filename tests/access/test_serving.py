"""The command refuses to listen beyond this machine without a sign-in, and locks what the server could open."""

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from sign_in_file import GONE, SECRET, write_file
from typer.testing import CliRunner

from fleetbrake import cli
from fleetbrake.access import serving
from fleetbrake.access.serving import check_address, server_options, shown_address
from fleetbrake.access.sign_in import read_sign_in
from fleetbrake.core.errors import FleetbrakeError


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """What the command would have become; the environment it sets is taken back."""
    seen: list[list[str]] = []

    def _execv(_program: str, arguments: list[str]) -> None:
        seen.append(arguments)
        raise SystemExit(0)

    monkeypatch.setattr(cli.os, "execv", _execv)
    monkeypatch.setattr(serving, "check_port", lambda *_: None)  # this machine may have others there
    monkeypatch.chdir(Path.cwd())  # the command leaves it: taken back
    for name in ("FLEETBRAKE_STORE", "FLEETBRAKE_SIGN_IN", "PYTHONPATH"):
        monkeypatch.setenv(name, "before")
    return seen


def _run(store: Path, *options: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(cli.app, ["dashboard", "--store", str(store), *options])
    return done.exit_code, done.stdout, " ".join(done.stderr.split())


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "192.168.1.4", "brakes.example.org", "", "127.0.0.1.example.org"])
def test_beyond_this_machine_without_a_sign_in_is_refused(
    address: str, tmp_path: Path, started: list[list[str]]
) -> None:
    status, out, said = _run(tmp_path, "--address", address, "--json")
    assert status == 2 and not started
    assert "for this machine only" in said and "--sign-in FILE.toml" in said and "[auth]" in said
    assert json.loads(out.splitlines()[-1])["status"] == 2


@pytest.mark.parametrize("address", ["127.0.0.1", "127.0.0.2", "::1", "localhost"])
def test_this_machine_needs_no_sign_in(address: str, tmp_path: Path, started: list[list[str]]) -> None:
    status, _, _ = _run(tmp_path, "--address", address)
    assert status == 0 and f"--server.address={address}" in started[0]
    assert cli.os.environ["FLEETBRAKE_SIGN_IN"] == "", "none that the surroundings name"


def test_a_spoilt_file_is_refused_before_anything_starts(tmp_path: Path, started: list[list[str]]) -> None:
    file = write_file(tmp_path / "sign-in.toml", auth={"client_id": GONE, "cookie_secret": "too-short"})
    status, out, said = _run(tmp_path, "--address", "0.0.0.0", "--sign-in", str(file), "--json")
    assert status == 2 and not started
    assert "client_id is missing" in said and "cookie_secret" in said and "too-short" not in said + out


def test_with_a_sign_in_it_listens_where_it_is_told(tmp_path: Path, started: list[list[str]]) -> None:
    file = write_file(tmp_path / "sign-in.toml")
    status, out, said = _run(tmp_path, "--address", "0.0.0.0", "--port", "8777", "--sign-in", str(file), "--json")
    assert status == 0
    assert {"--server.address=0.0.0.0", "--server.port=8777", "--secrets.files=no-such-file.toml"} <= set(started[0])
    assert [o for o in started[0] if "allowedHosts" in o] == ["--server.allowedHosts=brakes.example.org"]
    assert json.loads(out.splitlines()[-1])["url"] == "https://brakes.example.org"
    everything = " ".join(started[0]) + out + said
    assert SECRET not in everything and "hushed" not in everything


def test_a_port_that_is_taken_is_told_before_any_address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cli.os, "execv", lambda *_: pytest.fail("it was started"))
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        status, out, said = _run(tmp_path, "--port", str(port))
    assert status == 2 and f"port {port}" in said and "--port" in said and "Pages at" not in said + out
    serving.check_port("127.0.0.1", port)  # free again
    with pytest.raises(FleetbrakeError, match="see --address"):
        serving.check_port("192.0.2.1", port)  # of nobody: RFC 5737 (from memory)


def test_the_doors_that_stay_shut() -> None:
    options = server_options("127.0.0.1", 8600, None)
    for shut in ("enableXsrfProtection=true", "enableCORS=true", "enableStaticServing=false", "enableAgentApi=false"):
        assert f"--server.{shut}" in options
    assert "--client.showErrorDetails=none" in options and "--server.trustedUserHeaders={}" in options
    (secrets,) = [option for option in options if option.startswith("--secrets.files")]
    assert not Path(secrets.partition("=")[2]).exists(), "else those of the folder at hand would be read"
    hosts = [option.partition("=")[2] for option in options if "allowedHosts" in option]
    assert hosts == ["localhost", "127.0.0.1", "::1"]


def test_the_address_to_open(tmp_path: Path) -> None:
    assert shown_address("::1", 8600, None) == shown_address("[::1]", 8600, None) == "http://[::1]:8600"
    assert shown_address("localhost", 80, None) == "http://localhost:80"
    assert shown_address("0.0.0.0", 80, read_sign_in(write_file(tmp_path / "a"), 80)) == "https://brakes.example.org"


def test_help_says_how_to_set_it_up() -> None:
    shown = CliRunner().invoke(cli.app, ["dashboard", "--help"]).stdout
    for part in ("[auth]", "redirect_uri", "cookie_secret", "[roles.by_claim]", "[roles.by_email]", "chmod 600"):
        assert part in shown


def test_no_module_of_the_folder_it_is_started_in_is_taken_for_ours(tmp_path: Path, started: list[list[str]]) -> None:
    """Somebody else may write there: a ``streamlit.py`` of theirs would else run as whoever starts the pages."""
    _run(tmp_path)
    assert started[0][1:4] == ["-P", "-m", "streamlit"]
    root = Path(cli.__file__).parents[1]
    for folder in ("fleetbrake", "dashboards", "jobs"):
        for path in (root / folder).rglob("*.py"):
            assert 'sys.executable, "-m"' not in path.read_text(encoding="utf-8"), path


#: Options of the framework that a configuration file of somebody's home may set: what pages look like, how long
#: something is kept, what is only read where a lock switches it on, or what the command names on its own.
_LEFT_OPEN = (
    "global.disableWidgetStateDuplicationWarning", "global.showWarningOnDirectExecution",
    "global.suppressDeprecationWarnings", "global.minCachedMessageSize", "global.maxCachedMessageAge",
    "client.disableDataExport", "client.showSidebarNavigation",
    "client.showErrorLinks", "runner.postScriptGC", "runner.enforceSerializableSessionState", "runner.enumCoercion",
    "runner.parallelMaxWorkers", "runner.cacheBackgroundRefreshMaxWorkers", "runner.cacheHashSeed",
    "runner.cacheBackgroundRefreshTTLMultiplier", "runner.connectionDefaultTTL", "server.folderWatchList",
    "server.folderWatchBlacklist", "server.enableExpensiveMemoryStats", "server.maxCacheDataSize",
    "server.cookieSecret", "server.showEmailPrompt", "server.websocketPingInterval", "server.agentWaitTimeout",
    "server.agentSessionTTL", "server.agentMaxSessions", "server.agentPreviewRows", "browser.serverPort",
    "ui.hideTopBar", "magic.displayRootDocString", "magic.displayLastExprIfNoSemicolon",
    "server.unsafeMetricsUserAttributes", "server.sslCertFile", "server.sslKeyFile", "logger.messageFormat",
)  # fmt: skip


def test_every_option_of_the_framework_is_named_or_harmless(tmp_path: Path) -> None:
    """Asked from the version that is installed: one that a later version brings has to be looked at."""
    from streamlit import config

    named = {o.removeprefix("--").partition("=")[0] for o in server_options("127.0.0.1", 8600, None)}
    file = read_sign_in(write_file(tmp_path / "sign-in.toml"), 8600)
    named |= {o.removeprefix("--").partition("=")[0] for o in server_options("127.0.0.1", 8600, file)}
    known = {name for name in config._config_options_template if not name.startswith("theme")}
    assert known - named - set(_LEFT_OPEN) == set() and named <= known
    assert named.isdisjoint(_LEFT_OPEN) and set(_LEFT_OPEN) <= known


def test_the_folder_it_is_started_in_is_left(
    tmp_path: Path, started: list[list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody else may write there: configuration and secrets of it would else be taken."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", "here:/there")
    monkeypatch.setenv("SSL_CERT_DIR", "/there:certs")
    for name in ("SSL_CERT_FILE", "REQUESTS_CA_BUNDLE", "NUMBA_CACHE_DIR"):
        monkeypatch.setenv(name, f"kept/{name}")
    assert _run(tmp_path)[0] == 0 and Path.cwd() == Path(started[0][5]).parent
    assert cli.os.environ["PYTHONPATH"] == f"{tmp_path / 'here'}:/there"
    assert cli.os.environ["SSL_CERT_DIR"] == f"/there:{tmp_path / 'certs'}"
    for name in ("SSL_CERT_FILE", "REQUESTS_CA_BUNDLE", "NUMBA_CACHE_DIR"):
        assert cli.os.environ[name] == str(tmp_path / "kept" / name)
    assert cli.os.environ["FLEETBRAKE_STORE"] == str(tmp_path) and cli.os.environ["FLEETBRAKE_SIGN_IN"] == ""


def test_what_lies_in_that_folder_changes_nothing(tmp_path: Path) -> None:
    """The framework itself is asked what holds, left in that folder and led out of it as the command does."""
    hidden = tmp_path / ".streamlit"
    hidden.mkdir()
    (hidden / "config.toml").write_text("[server]\nagentMaxSessions = 7\nenableCORS = false\n[theme]\nbase='dark'\n")
    (hidden / "secrets.toml").write_text('FLEETBRAKE_SIGN_IN = "/srv/of-another.toml"\n')
    code = (
        "import os, sys, pathlib\n"
        "from fleetbrake.access import serving\n"
        "page = serving.pages_file(pathlib.Path(serving.__file__).parents[1])\n"
        "if 'leave' in sys.argv: serving.settle_in(page, os.environ)\n"
        "from streamlit import config\n"
        "from streamlit.runtime.secrets import secrets_singleton as secrets\n"
        "secrets.load_if_toml_exists()\n"
        "print(config.get_option('server.agentMaxSessions'), config.get_option('theme.base'),"
        " os.environ.get('FLEETBRAKE_SIGN_IN'))\n"
    )
    surroundings = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "HOME": str(tmp_path / "home")}
    surroundings.pop("FLEETBRAKE_SIGN_IN", None)
    said = [
        subprocess.run(
            [sys.executable, "-c", code, *leave], cwd=tmp_path, env=surroundings, capture_output=True, text=True,
            check=True,
        ).stdout.splitlines()[-1]
        for leave in ([], ["leave"])
    ]  # fmt: skip
    assert said == ["7 dark /srv/of-another.toml", "100 light None"], "and it would else"


def test_an_address_that_browsers_write_in_another_way_is_refused() -> None:
    with pytest.raises(FleetbrakeError, match="four numbers"):
        check_address("::ffff:127.0.0.1", None)
