"""Who is let in: by loopback without a sign-in, by claims with one."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sign_in_file import write_file

from fleetbrake.access.caller import (
    LONGEST_HOURS,
    NO_PERSON,
    NO_ROLE,
    NO_TIME,
    NOT_HERE,
    SIGN_IN_FIRST,
    TOO_LONG_AGO,
    local_caller,
    signed_caller,
)
from fleetbrake.access.ended import Ended
from fleetbrake.access.loopback import is_loopback, is_own_request
from fleetbrake.access.roles import LOCAL_USER, NOBODY, PAGES, Role, Viewer
from fleetbrake.access.sign_in import SignIn, read_sign_in

NOW = 1_800_000_000.0
OWN = {"Host": "127.0.0.1:8600", "Origin": "http://127.0.0.1:8600"}


@pytest.fixture
def sign_in(tmp_path: Path) -> SignIn:
    return read_sign_in(write_file(tmp_path / "sign-in.toml"), 8600)


def _claims(**told: Any) -> dict[str, Any]:
    return {"is_logged_in": True, "sub": "somebody", "iat": NOW - 60, **told}


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.9.9.9", "::1", "[::1]", "localhost", "LOCALHOST.", "::ffff:127.0.0.1"]
)
def test_names_of_this_machine(host: str) -> None:
    assert is_loopback(host)


@pytest.mark.parametrize(
    "host", ["0.0.0.0", "::", "10.0.0.1", "localhost.example.org", "example.org", "", "127.1", "::ffff:10.0.0.1", "1"]
)
def test_names_of_others(host: str) -> None:
    assert not is_loopback(host)


@pytest.mark.parametrize("host", ["127.0.0.1:8600", "localhost:8600", "[::1]:8600", "localhost"])
@pytest.mark.parametrize("ip", [None, "127.0.0.1", "::1"])
def test_a_browser_on_this_machine_is_the_local_user(host: str, ip: str | None) -> None:
    assert local_caller("127.0.0.1", {"host": host, "ORIGIN": f"http://{host}"}, ip).viewer == LOCAL_USER


@pytest.mark.parametrize(
    ("address", "headers", "ip"),
    [
        ("0.0.0.0", OWN, None),
        (None, OWN, None),
        ("", OWN, None),
        ("192.168.1.4", OWN, None),
        ("127.0.0.1", OWN, "192.168.1.9"),
        ("127.0.0.1", OWN, "no address"),
        ("127.0.0.1", {}, None),
        ("127.0.0.1", {"Host": "127.0.0.1:8600"}, None),
        ("127.0.0.1", {"Host": "evil.example.org", "Origin": "http://evil.example.org"}, None),
        ("127.0.0.1", {"Host": "localhost.evil.example", "Origin": "http://localhost.evil.example"}, None),
        ("127.0.0.1", {"Host": "127.0.0.1:8600", "Origin": "http://127.0.0.1:9999"}, None),
        ("127.0.0.1", {"Host": "127.0.0.1:8600", "Origin": "https://fleet.example.org"}, None),
        ("127.0.0.1", {"Host": "127.0.0.1:8600", "Origin": "null"}, None),
        ("127.0.0.1", {"Host": "x@127.0.0.1:8600", "Origin": "http://x@127.0.0.1:8600"}, None),
        ("127.0.0.1", {"Host": "[::1", "Origin": "http://[::1"}, None),
        ("127.0.0.1", {"Host": "127.0.0.1:no", "Origin": "http://127.0.0.1:no"}, None),
        *(
            ("127.0.0.1", {**OWN, name: "10.0.0.7"}, None)
            for name in ("X-Forwarded-For", "forwarded", "X-Real-IP", "Via", "X-FORWARDED-PROTO")
        ),
    ],
)
def test_everybody_else_is_nobody(address: str | None, headers: dict[str, str], ip: str | None) -> None:
    found = local_caller(address, headers, ip)
    assert found.viewer == NOBODY and found.refused == NOT_HERE and not found.may_sign_in


@given(st.text(max_size=40), st.text(max_size=40))
def test_no_text_in_a_header_breaks_the_check(host: str, origin: str) -> None:
    assert is_own_request({"Host": host, "Origin": origin}, None) in (True, False)


def test_before_signing_in_nobody_is_let_in(sign_in: SignIn) -> None:
    for claims in ({}, {"is_logged_in": False}, _claims(is_logged_in="true"), {"sub": "subject-7", "iat": NOW}):
        found = signed_caller(sign_in, claims, NOW)
        assert found.viewer == NOBODY and found.refused == SIGN_IN_FIRST and found.may_sign_in


@pytest.mark.parametrize(
    ("told", "roles"),
    [
        ({"groups": ["workshop"]}, {Role.PLANNER}),
        ({"groups": "workshop"}, {Role.PLANNER}),
        ({"groups": ["workshop", "office", "unknown", 7, None]}, {Role.PLANNER, Role.ANALYST}),
        ({"groups": "workshop office"}, set()),
        ({"groups": ["Workshop"]}, set()),
        ({"groups": {"workshop": True}}, set()),
        ({"email": "ada@example.org", "email_verified": True}, {Role.SAFETY}),
        ({"email": "ADA@EXAMPLE.ORG", "email_verified": True}, {Role.SAFETY}),
        ({"email": "ada@example.org"}, set()),
        ({"email": "ada@example.org", "email_verified": "true"}, set()),
        ({"email": "ada@example.org", "email_verified": 1}, set()),
        ({"email": ["ada@example.org"], "email_verified": True}, set()),
        ({"sub": "subject-7"}, {Role.ADMIN, Role.PLANNER}),
        ({"sub": "SUBJECT-7"}, set()),
        ({"sub": "ada@example.org"}, set()),
        ({"sub": "workshop", "name": "workshop", "roles": ["admin"]}, set()),
        ({"sub": "subject-7", "groups": ["office"]}, {Role.ADMIN, Role.PLANNER, Role.ANALYST}),
    ],
)
def test_roles_come_from_claims(sign_in: SignIn, told: dict[str, Any], roles: set[Role]) -> None:
    found = signed_caller(sign_in, _claims(**told), NOW)
    assert found.viewer.roles == roles and found.signed_in
    assert found.refused == ("" if roles else NO_ROLE)
    assert not found.viewer.local


def test_a_claim_inside_a_claim(tmp_path: Path) -> None:
    deep = read_sign_in(write_file(tmp_path / "a.toml", roles={"claim": "access.roles"}), 8600)
    assert signed_caller(deep, _claims(access={"roles": ["workshop"]}), NOW).viewer.roles == {Role.PLANNER}
    whole = {"access.roles": ["office"], "access": {"roles": ["workshop"]}}
    assert signed_caller(deep, _claims(**whole), NOW).viewer.roles == {Role.ANALYST}, "the whole name comes first"
    assert not signed_caller(deep, _claims(access=["workshop"]), NOW).viewer.roles


@pytest.mark.parametrize(
    ("iat", "said"),
    [
        (NOW - LONGEST_HOURS * 3600 - 1, TOO_LONG_AGO),
        (NOW + 301, NO_TIME),
        (None, NO_TIME),
        (str(NOW), NO_TIME),
        (True, NO_TIME),
        (float("nan"), NO_TIME),
    ],
)
def test_a_sign_in_does_not_last_for_ever(sign_in: SignIn, iat: Any, said: str) -> None:
    found = signed_caller(sign_in, _claims(sub="subject-7", iat=iat), NOW)
    assert found.viewer == NOBODY and found.refused == said and found.may_sign_in


def test_who_signed_out_is_out_until_the_next_sign_in(sign_in: SignIn) -> None:
    ended, claims = Ended(), _claims(sub="subject-7")
    assert signed_caller(sign_in, claims, NOW, ended).viewer.roles
    ended.end(claims)
    found = signed_caller(sign_in, claims, NOW, ended)
    assert found.viewer == NOBODY and found.refused == SIGN_IN_FIRST and found.may_sign_in and not found.person
    assert signed_caller(sign_in, {**claims, "iat": NOW - 10}, NOW, ended).viewer.roles


@pytest.mark.parametrize("sub", [248, 248.0, None, "", " ", True, ["248"], {"id": "248"}])
def test_who_could_not_sign_out_is_not_let_in(sign_in: SignIn, sub: Any) -> None:
    """Signing out names a sign-in by the provider's text for the person: of another kind, it ended nothing."""
    claims = _claims(sub=sub, email="ada@example.org", email_verified=True)
    found = signed_caller(sign_in, claims, NOW, Ended())
    assert found.viewer == NOBODY and found.refused == NO_PERSON and found.may_sign_in and not found.person


def test_a_person_is_one_of_one_provider_in_one_role(sign_in: SignIn) -> None:
    told = [
        _claims(iss="a", sub="s", groups=["workshop"]), _claims(iss="b", sub="s", groups=["workshop"]),
        _claims(iss="a", sub="t", groups=["workshop"]), _claims(iss="a", sub="s", groups=["office"]),
        _claims(iss="a", sub="s", groups=["workshop", "office"]),
    ]  # fmt: skip
    assert len({signed_caller(sign_in, claims, NOW).person for claims in told}) == len(told)
    again = {**told[0], "iat": NOW - 5}
    assert signed_caller(sign_in, told[0], NOW).person == signed_caller(sign_in, again, NOW).person


@pytest.mark.parametrize(
    ("headers", "own"),
    [
        ({"Host": "127.0.0.1:8600"}, True),
        (OWN, True),
        ({}, False),
        ({"Host": "evil.example.org"}, False),
        ({"Host": "127.0.0.1:8600", "Origin": "http://evil.example.org"}, False),
        ({"Host": "127.0.0.1:8600", "X-Forwarded-For": "10.0.0.7"}, False),
    ],
)
def test_who_just_looks_need_not_say_where_from(headers: dict[str, str], own: bool) -> None:
    assert is_own_request(headers, "127.0.0.1", with_origin=False) is own
    assert not is_own_request(headers, "192.168.1.9", with_origin=False)
    assert (local_caller("127.0.0.1", headers, None, speaks=False).viewer == LOCAL_USER) is own


def test_just_under_the_longest_time_is_let_in(sign_in: SignIn) -> None:
    found = signed_caller(sign_in, _claims(sub="subject-7", iat=NOW - LONGEST_HOURS * 3600 + 1), NOW)
    assert Role.ADMIN in found.viewer.roles


@pytest.mark.parametrize(
    ("told", "name"),
    [
        ({"email": "ada@example.org", "email_verified": True, "name": "Ada"}, "ada@example.org"),
        ({"email": "ada@example.org", "name": "Somebody"}, "Somebody (somebody)"),
        ({"name": "x" * 500}, "x" * 120),
        ({}, "somebody"),
    ],
)
def test_a_name_for_decisions_is_one_that_nobody_chooses(sign_in: SignIn, told: dict[str, Any], name: str) -> None:
    assert signed_caller(sign_in, _claims(**told), NOW).viewer.name == name


@pytest.mark.parametrize(
    ("role", "pages", "acts", "names"),
    [
        (Role.PLANNER, {"inspections", "vehicle", "event", "recordings"}, True, False),
        (Role.SAFETY, {"inspections", "vehicle", "event", "drivers", "month"}, False, True),
        (Role.ANALYST, {"inspections", "vehicle", "event", "drivers", "month", "recordings"}, False, False),
        (Role.ADMIN, {"inspections", "vehicle", "event", "drivers", "month", "recordings"}, True, False),
    ],
)
def test_what_each_role_may(role: Role, pages: set[str], acts: bool, names: bool) -> None:
    one = Viewer("x", frozenset({role}))
    assert {page for page in PAGES if one.may_open(page)} == pages
    assert (one.may_act, one.sees_drivers, one.sees_positions) == (acts, names, names)
    assert not one.may_open("settings") and not NOBODY.may_open("inspections")
