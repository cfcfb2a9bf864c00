"""The file that says how people sign in and who has which role: read, and refused with every problem at once.

It is a TOML file of three parts. ``[auth]`` is the pages' framework's own section for an OpenID Connect provider;
``[roles]`` is ours::

    [auth]
    redirect_uri = "https://brakes.example.org/oauth2callback"
    cookie_secret = "at least 32 characters drawn at random"
    client_id = "..."
    client_secret = "..."
    server_metadata_url = "https://login.example.org/.well-known/openid-configuration"

    [roles]
    claim = "groups"

    [roles.by_claim]
    "workshop" = ["planner"]

    [roles.by_email]
    "ada@example.org" = ["safety"]

    [roles.by_subject]
    "248289761001" = ["analyst"]
"""

import os
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from fleetbrake.access.loopback import is_loopback
from fleetbrake.access.roles import Role
from fleetbrake.core.errors import FleetbrakeError

#: Shortest key for signing the cookie (characters). Own choice: 32 characters of 6 bits or more pass the 128 bits
#: below which a key drawn at random is called weak.
SHORTEST_SECRET: Final = 32
#: A key with fewer different characters was not drawn at random; own choice: of 32 drawn from 16 some 14 differ.
_FEWEST_DIFFERENT: Final = 8
_CALLBACK: Final = "/oauth2callback"

_AUTH_NEEDED: Final = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
_AUTH_KNOWN: Final = frozenset({*_AUTH_NEEDED, "client_kwargs"})
#: Time (s) that the provider may be given for an answer. Own choice: none answers faster, nobody waits longer.
_SHORTEST_ANSWER_S: Final = 1
_LONGEST_ANSWER_S: Final = 300
#: What a provider may be asked to show: OpenID Connect Core 1.0 section 3.1.2.1 (from memory). Its fourth, "none", has
#: it show nothing: whoever is not signed in there already could never sign in here.
_PROMPTS: Final = ("login", "consent", "select_account")
_TEXT: Final = "a text"
_PROMPT: Final = f"one or more of {', '.join(_PROMPTS)}, with blanks in between"
_SECONDS: Final = f"a number of seconds from {_SHORTEST_ANSWER_S} to {_LONGEST_ANSWER_S}"
#: What may be told to the library that speaks with the provider, and what each is: what is asked for, never how safely.
_CLIENT_KNOWN: Final = {"scope": _TEXT, "prompt": _PROMPT, "login_hint": _TEXT, "timeout": _SECONDS}
#: Of the same section of the standard; the library takes them and sends none. Who wrote them would rely on them.
_NEVER_SENT: Final = frozenset({"acr_values", "max_age", "ui_locales"})
_ROLES_KNOWN: Final = frozenset({"claim", "by_claim", "by_email", "by_subject"})
#: Claims that people write themselves or that may pass to another person: no ground for a role.
#: OpenID Connect Core 1.0, sections 5.1 and 5.7 (from memory): only subject and issuer together stand for a person.
_SELF_WRITTEN: Final = frozenset(
    (
        "email", "name", "given_name", "family_name", "middle_name", "nickname", "preferred_username", "profile",
        "picture", "website", "gender", "birthdate", "zoneinfo", "locale", "phone_number", "address", "updated_at",
    )
)  # fmt: skip


@dataclass(frozen=True)
class SignIn:
    """How people sign in.

    ``auth`` is the framework's section as it stands in the file, secrets and all: for the framework alone, and in no
    text of this object.
    """

    path: Path
    redirect_uri: str
    claim: str | None
    by_claim: Mapping[str, frozenset[Role]]
    by_email: Mapping[str, frozenset[Role]]
    by_subject: Mapping[str, frozenset[Role]]
    auth: Mapping[str, Any] = field(default_factory=dict, repr=False, compare=False)

    @property
    def host(self) -> str:
        """The host name under which people reach the pages."""
        return urlsplit(self.redirect_uri).hostname or ""

    @property
    def origin(self) -> str:
        """Scheme, host and port under which people reach the pages."""
        parts = urlsplit(self.redirect_uri)
        return f"{parts.scheme}://{parts.netloc}"


def read_sign_in(path: Path, port: int) -> SignIn:
    """The checked content of a sign-in file; ``port`` stands for ``{port}`` in its redirect_uri.

    Raises
    ------
    FleetbrakeError
        The file cannot be used; the sentence names every problem and quotes no value of ``[auth]``.
    """
    told, problems = _content(path)
    auth, roles = _table(told, "auth", problems), _table(told, "roles", problems)
    problems += [f"unknown part [{name}]" for name in sorted(set(told) - {"auth", "roles"})]
    redirect = str(auth.get("redirect_uri", "")).replace("{port}", str(port))
    if "auth" in told:
        problems += _auth_problems(auth, redirect)
    by_claim = _roles_of(roles, "by_claim", problems)
    by_subject = _roles_of(roles, "by_subject", problems)
    by_email = _emails(_roles_of(roles, "by_email", problems), problems)
    if "roles" in told:
        problems += _role_problems(roles, by_claim)
    if problems:
        raise FleetbrakeError(f"{path}: this sign-in file cannot be used: {'; '.join(problems)}.")
    claim = roles.get("claim")
    return SignIn(path.absolute(), redirect, claim if by_claim else None, by_claim, by_email, by_subject, auth)


def _content(path: Path) -> tuple[dict[str, Any], list[str]]:
    """What the file says; FleetbrakeError where nothing can be read at all."""
    try:
        mode = path.stat().st_mode
        # some editors put a mark before the text, which is none of it
        text = path.read_text(encoding="utf-8-sig") if stat.S_ISREG(mode) else None
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise FleetbrakeError(f"{path}: the sign-in file cannot be read: {why}.") from error
    if text is None:
        raise FleetbrakeError(f"{path}: the sign-in file cannot be read: it is no file.")
    try:
        told = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # the reader's own, and those of numbers and depths without end
        raise FleetbrakeError(f"{path}: the sign-in file is no TOML: {error}.") from error
    open_to_others = os.name == "posix" and bool(mode & (stat.S_IRWXG | stat.S_IRWXO))
    return told, ["others on this machine can read or change it (chmod 600)"] if open_to_others else []


def _table(told: Mapping[str, Any], name: str, problems: list[str]) -> dict[str, Any]:
    found = told.get(name)
    if isinstance(found, dict):
        return found
    problems.append(f"[{name}] is missing" if found is None else f"{name} is no table")
    return {}


def _auth_problems(auth: Mapping[str, Any], redirect: str) -> list[str]:
    problems = [f"[auth] {key} is missing" for key in _AUTH_NEEDED if key not in auth]
    problems += [f"[auth] {key} is no text" for key in _AUTH_NEEDED if not isinstance(auth.get(key, ""), str)]
    problems += [f"[auth] {key} is empty" for key in _AUTH_NEEDED if auth.get(key) == ""]
    for key in sorted(set(auth) - _AUTH_KNOWN):
        several = isinstance(auth[key], dict)
        problems.append(f"[auth.{key}]: one provider only, its keys in [auth]" if several else f"unknown [auth] {key}")
    problems += _client_problems(auth.get("client_kwargs", {}))
    secret = str(auth.get("cookie_secret", ""))
    if secret and (len(secret) < SHORTEST_SECRET or len(set(secret)) < _FEWEST_DIFFERENT):
        problems.append(f"[auth] cookie_secret must be {SHORTEST_SECRET} characters or more, drawn at random")
    if redirect:
        problems += _address_problems("redirect_uri", redirect)
        if not _written_as_browsers_do(redirect):
            problems.append("[auth] redirect_uri must have its host in small letters and no usual port (:443, :80)")
        if _path_of(redirect) != _CALLBACK:
            problems.append(f"[auth] redirect_uri must be the pages' address followed by {_CALLBACK}")
    if auth.get("server_metadata_url"):
        problems += _address_problems("server_metadata_url", str(auth["server_metadata_url"]))
    return problems


def _client_problems(told: Any) -> list[str]:
    """The library passes all of it on: the provider's certificate could be left unchecked, or another server asked."""
    if not isinstance(told, dict):
        return ["[auth] client_kwargs is no table"]
    known = ", ".join(sorted(_CLIENT_KNOWN))
    unknown = sorted(set(told) - set(_CLIENT_KNOWN) - _NEVER_SENT)
    problems = [f"[auth] client_kwargs: {key} cannot be set (known: {known})" for key in unknown]
    if "verify" in told:
        problems[-1] += "; the provider's certificate is always checked, your own authority's by SSL_CERT_FILE"
    if never := ", ".join(sorted(_NEVER_SENT & set(told))):
        problems.append(
            f"[auth] client_kwargs: {never} would not be asked for; a second factor or a fresh sign-in has to be "
            "demanded by the provider itself"
        )
    problems += [
        f"[auth] client_kwargs: {key} must be {kind}"
        for key, kind in _CLIENT_KNOWN.items()
        if key in told and not _is_of_kind(told[key], kind)
    ]
    if isinstance(scope := told.get("scope"), str) and "openid" not in scope.split():
        problems.append("[auth] client_kwargs: scope must hold openid")
    return problems


def _is_of_kind(value: object, kind: str) -> bool:
    if kind == _SECONDS:
        if isinstance(value, bool) or not isinstance(value, int | float):
            return False
        return _SHORTEST_ANSWER_S <= value <= _LONGEST_ANSWER_S  # NaN is not between
    if not isinstance(value, str):
        return False
    asked = set(value.split())
    return kind == _TEXT or (bool(asked) and asked <= set(_PROMPTS))


def _address_problems(key: str, url: str) -> list[str]:
    """Whatever a password or cookie travels over must be encrypted, unless it never leaves the machine."""
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError:
        return [f"[auth] {key} is no address"]
    if not host or parts.scheme not in ("http", "https") or parts.username is not None:
        return [f"[auth] {key} must be an address that begins with https://"]
    if parts.scheme == "http" and not is_loopback(host):
        return [f"[auth] {key} must begin with https:// (plain http only for this machine itself)"]
    return []


def _written_as_browsers_do(url: str) -> bool:
    """Whether it begins as browsers tell where a page is from, since both are compared: RFC 6454 (from memory)."""
    try:
        parts = urlsplit(url)
        usual = {"https": 443, "http": 80}.get(parts.scheme)
        return parts.netloc == parts.netloc.lower() and (parts.port is None or parts.port != usual)
    except ValueError:
        return True  # told as no address


def _path_of(url: str) -> str:
    try:
        parts = urlsplit(url)
    except ValueError:
        return ""
    return "" if parts.query or parts.fragment else parts.path


def _roles_of(roles: Mapping[str, Any], name: str, problems: list[str]) -> dict[str, frozenset[Role]]:
    """Key -> roles of one table of ``[roles]``; what cannot be used is told and left out."""
    listed = roles.get(name, {})
    if not isinstance(listed, dict):
        problems.append(f"[roles] {name} is no table")
        return {}
    known = {role.value: role for role in Role}
    given: dict[str, frozenset[Role]] = {}
    for key, names in listed.items():
        if not key.strip() or not isinstance(names, list) or not names:
            problems.append(f'[roles.{name}] "{key}" must be a name followed by a list of roles')
            continue
        unknown = sorted({str(n) for n in names} - set(known))
        if unknown:
            problems.append(f'[roles.{name}] "{key}": unknown role {", ".join(unknown)} (known: {", ".join(known)})')
        given[key] = frozenset(known[n] for n in names if isinstance(n, str) and n in known)
    return given


def _emails(given: Mapping[str, frozenset[Role]], problems: list[str]) -> dict[str, frozenset[Role]]:
    """Addresses without a difference between upper and lower case."""
    folded: dict[str, frozenset[Role]] = {}
    for email, roles in given.items():
        plain = email.strip().casefold()
        if "@" not in plain:
            problems.append(f'[roles.by_email] "{email}" is no mail address')
        if plain in folded:
            problems.append(f'[roles.by_email] "{email}" stands there twice')
        folded[plain] = roles
    return folded


def _role_problems(roles: Mapping[str, Any], by_claim: Mapping[str, frozenset[Role]]) -> list[str]:
    problems = [f"unknown [roles] {key}" for key in sorted(set(roles) - _ROLES_KNOWN)]
    if not any(roles.get(name) for name in ("by_claim", "by_email", "by_subject")):
        problems.append("[roles] gives nobody a role: by_claim, by_email or by_subject is needed")
    claim = roles.get("claim")
    if claim is not None and (not isinstance(claim, str) or not claim.strip()):
        problems.append("[roles] claim must be the name of a claim")
    elif claim in _SELF_WRITTEN:
        problems.append(f"[roles] claim = {claim}: people may write that themselves; use by_email or by_subject")
    if by_claim and claim is None:
        problems.append("[roles.by_claim] needs [roles] claim, the name of the claim that it speaks of")
    return problems
