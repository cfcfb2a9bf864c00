"""The sign-in file: what is right is read, what is wrong is refused in one sentence that gives no secret away."""

import asyncio
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from authlib.integrations.starlette_client import OAuth, StarletteOAuth2App
from sign_in_file import GONE, SECRET, write_file

from fleetbrake.access.roles import Role
from fleetbrake.access.sign_in import _NEVER_SENT, SHORTEST_SECRET, read_sign_in
from fleetbrake.core.errors import FleetbrakeError


def _refused(path: Path) -> str:
    with pytest.raises(FleetbrakeError) as error:
        read_sign_in(path, 8600)
    return str(error.value)


def test_a_right_file_is_read(tmp_path: Path) -> None:
    found = read_sign_in(write_file(tmp_path / "sign-in.toml"), 8600)
    assert found.claim == "groups" and found.host == "brakes.example.org"
    assert found.origin == "https://brakes.example.org"
    assert found.by_claim == {"workshop": {Role.PLANNER}, "office": {Role.ANALYST}}
    assert found.by_email == {"ada@example.org": {Role.SAFETY}}, "letters of a mail address in any case"
    assert found.by_subject == {"subject-7": {Role.ADMIN, Role.PLANNER}}
    assert SECRET not in repr(found) and "hushed" not in repr(found)


def test_the_port_may_be_left_to_the_command(tmp_path: Path) -> None:
    file = write_file(tmp_path / "a.toml", auth={"redirect_uri": "http://localhost:{port}/oauth2callback"})
    assert read_sign_in(file, 8777).origin == "http://localhost:8777"


@pytest.mark.parametrize("url", ["http://localhost:8600", "http://127.0.0.1:8600", "http://[::1]:8600", "https://a.b"])
def test_addresses_that_nobody_can_listen_to_are_taken(url: str, tmp_path: Path) -> None:
    file = write_file(tmp_path / "a.toml", auth={"redirect_uri": f"{url}/oauth2callback"})
    assert read_sign_in(file, 8600).origin == url


AUTH: list[tuple[dict[str, Any], str]] = [
    *(({key: GONE}, f"[auth] {key} is missing") for key in ("redirect_uri", "cookie_secret", "client_id")),
    *(({key: GONE}, f"[auth] {key} is missing") for key in ("client_secret", "server_metadata_url")),
    ({"client_id": ""}, "[auth] client_id is empty"),
    ({"client_id": 7}, "[auth] client_id is no text"),
    ({"cookie_secret": SECRET[: SHORTEST_SECRET - 1]}, "cookie_secret must be 32 characters or more"),
    ({"cookie_secret": "x" * 40}, "cookie_secret must be 32 characters or more, drawn at random"),
    ({"redirect_uri": "http://brakes.example.org/oauth2callback"}, "redirect_uri must begin with https://"),
    ({"redirect_uri": "http://localhost.example.org/oauth2callback"}, "redirect_uri must begin with https://"),
    ({"redirect_uri": "https://brakes.example.org/"}, "followed by /oauth2callback"),
    ({"redirect_uri": "https://brakes.example.org/oauth2callback?a=b"}, "followed by /oauth2callback"),
    ({"redirect_uri": "https://a:b@brakes.example.org/oauth2callback"}, "redirect_uri must be an address"),
    ({"redirect_uri": "ftp://brakes.example.org/oauth2callback"}, "redirect_uri must be an address"),
    ({"redirect_uri": "https://brakes.example.org:port/oauth2callback"}, "redirect_uri is no address"),
    ({"redirect_uri": "https://brakes.example.org:443/oauth2callback"}, "small letters and no usual port"),
    ({"redirect_uri": "https://Brakes.example.org/oauth2callback"}, "small letters and no usual port"),
    ({"server_metadata_url": "http://login.example.org/x"}, "server_metadata_url must begin with https://"),
    ({"expose_tokens": ["access"]}, "unknown [auth] expose_tokens"),
]


@pytest.mark.parametrize(("change", "said"), AUTH)
def test_each_slip_in_auth_is_named(change: dict[str, Any], said: str, tmp_path: Path) -> None:
    assert said in _refused(write_file(tmp_path / "sign-in.toml", auth=change))


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("client_kwargs = {verify = false}", "certificate is always checked"),
        ('client_kwargs = {verify = "/srv/own.pem"}', "verify cannot be set"),
        ('client_kwargs = {proxy = "http://evil.example.org"}', "proxy cannot be set"),
        ("client_kwargs = {trust_env = true, event_hooks = 1}", "event_hooks cannot be set"),
        ('client_kwargs = {scope = "profile"}', "scope must hold openid"),
        ("client_kwargs = 3", "client_kwargs is no table"),
        *((f"client_kwargs = {{{key} = {value}}}", f"{key} must be {kind}")
          for key, kind in (("scope", "a text"), ("login_hint", "a text"), ("prompt", "one or more of login, consent"))
          for value in ("5", "true", '["openid"]', "[{verify = false}]", "{a = 1}", "1979-05-27")),
        *((f"client_kwargs = {{prompt = {value}}}", "prompt must be one or more of login, consent, select_account")
          for value in ('""', '" "', '"none"', '"login none"', '"Login"', '"create"')),
        *((f"client_kwargs = {{{key} = {value}}}", f"{key} would not be asked for; a second factor or a fresh sign-in")
          for key in ("acr_values", "max_age", "ui_locales")
          for value in ('"a b"', "0", "3600", "true", "{verify = false}")),
        ('client_kwargs = {ui_locales = "de", acr_values = "x"}', "acr_values, ui_locales would not be asked for"),
        *((f"client_kwargs = {{timeout = {value}}}", "timeout must be a number of seconds from 1 to 300")
          for value in ('"abc"', "nan", "inf", "-5", "0", "1e-9", "0.99", "true", "[1, 2]", "301", "9" * 40)),
        ('client_kwargs = {scope = "openid email", prompt = "login"}', ""),
        ('client_kwargs = {scope = "openid", timeout = 2.5, prompt = "consent  select_account", login_hint = ""}', ""),
        ("client_kwargs = {timeout = 1}", ""),
        ("client_kwargs = {timeout = 300}", ""),
    ],
)  # fmt: skip
def test_what_is_told_to_the_library_that_speaks_with_the_provider(line: str, said: str, tmp_path: Path) -> None:
    file = write_file(tmp_path / "a.toml")
    file.write_text(file.read_text().replace("[auth]", f"[auth]\n{line}"))
    if said:
        assert said in _refused(file) and "evil" not in _refused(file)
    else:
        assert read_sign_in(file, 8600).claim == "groups"


def test_what_is_refused_here_the_library_would_never_send() -> None:
    """Once it does, it may be taken: until then somebody would rely on a second factor that nobody is asked for."""
    told = {"scope": "openid", "prompt": "login", **dict.fromkeys(_NEVER_SENT, "never")}
    app = StarletteOAuth2App(OAuth(), client_id="x", authorize_url="https://login.example.org/a", client_kwargs=told)
    asks = app.create_authorization_url("https://brakes.example.org/oauth2callback")
    with ThreadPoolExecutor(1) as pool:  # another test of this process may have a loop at work in this one
        sent = parse_qs(urlsplit(pool.submit(asyncio.run, asks).result()["url"]).query)
    assert sent["prompt"] == ["login"] and not _NEVER_SENT & set(sent)


def test_a_mark_before_the_text_is_none_of_it(tmp_path: Path) -> None:
    """Some editors write one."""
    file = write_file(tmp_path / "a.toml")
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes())
    assert read_sign_in(file, 8600).claim == "groups"


def test_several_providers_are_refused(tmp_path: Path) -> None:
    said = _refused(write_file(tmp_path / "a.toml", auth__second={"client_id": "x"}))
    assert "[auth.second]: one provider only" in said


ROLES: list[tuple[dict[str, Any], str]] = [
    ({"roles": {"clam": "groups"}}, "unknown [roles] clam"),
    ({"roles": {"claim": GONE}}, "[roles.by_claim] needs [roles] claim"),
    ({"roles": {"claim": "email"}}, "people may write that themselves"),
    ({"roles": {"claim": "preferred_username"}}, "people may write that themselves"),
    ({"roles": {"claim": ""}}, "claim must be the name of a claim"),
    ({"roles__by_claim": {"x": ["chief"]}}, "unknown role chief (known: planner, safety, analyst, admin)"),
    ({"roles__by_claim": {"x": "planner"}}, "followed by a list of roles"),
    ({"roles__by_claim": {"x": []}}, "followed by a list of roles"),
    ({"roles__by_claim": {" ": ["planner"]}}, "followed by a list of roles"),
    ({"roles__by_email": {"ada": ["planner"]}}, '"ada" is no mail address'),
    ({"roles__by_email": {"ADA@example.ORG": ["planner"]}}, "stands there twice"),
    ({"roles__by_subject": {"x": ["Planner"]}}, "unknown role Planner"),
    ({"more": {"x": 1}}, "unknown part [more]"),
]


@pytest.mark.parametrize(("change", "said"), ROLES)
def test_each_slip_in_roles_is_named(change: dict[str, Any], said: str, tmp_path: Path) -> None:
    assert said in _refused(write_file(tmp_path / "sign-in.toml", **change))


def test_every_problem_is_in_the_sentence_and_no_secret(tmp_path: Path) -> None:
    file = write_file(
        tmp_path / "a.toml",
        mode=0o644,
        auth={"cookie_secret": "short-secret", "client_id": GONE, "redirect_uri": "http://x.example.org/"},
        roles={"claim": "name"},
    )
    said = _refused(file)
    for part in ("chmod 600", "cookie_secret", "client_id is missing", "https://", "/oauth2callback", "claim = name"):
        assert part in said
    assert "short-secret" not in said and "hushed" not in said and "\n" not in said


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o602, 0o601])
def test_a_file_that_others_can_read_or_change_is_refused(mode: int, tmp_path: Path) -> None:
    assert "others on this machine can read or change it" in _refused(write_file(tmp_path / "a.toml", mode))


def test_what_cannot_be_read_is_told(tmp_path: Path) -> None:
    assert "cannot be read" in _refused(tmp_path / "nowhere.toml")
    assert "it is no file" in _refused(tmp_path)
    broken = tmp_path / "broken.toml"
    broken.write_text('[auth]\ncookie_secret = "very-hidden\n')
    assert "is no TOML" in _refused(broken) and "very-hidden" not in _refused(broken)
    broken.write_bytes(b"\xff\xfe\x00")
    assert "not UTF-8" in _refused(broken)


def test_an_empty_file_lacks_both_parts(tmp_path: Path) -> None:
    empty = tmp_path / "empty.toml"
    empty.write_text("")
    empty.chmod(0o600)
    assert "[auth] is missing; [roles] is missing" in _refused(empty)
    empty.write_text("auth = 3\n[roles]\n")
    said = _refused(empty)
    assert "auth is no table" in said and "gives nobody a role" in said
