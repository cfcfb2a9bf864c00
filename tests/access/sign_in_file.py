"""A sign-in file for tests: whole and right, so that each test can spoil one thing. All of it is invented."""

import json
from pathlib import Path
from typing import Any

SECRET = "k3J9xQ-vR2m_T8wZ5bN1cD7fG4hL6pS0"

RIGHT: dict[str, dict[str, Any]] = {
    "auth": {
        "redirect_uri": "https://brakes.example.org/oauth2callback",
        "cookie_secret": SECRET,
        "client_id": "fleetbrake-client",
        "client_secret": "hushed-client-secret",
        "server_metadata_url": "https://login.example.org/.well-known/openid-configuration",
    },
    "roles": {"claim": "groups"},
    "roles.by_claim": {"workshop": ["planner"], "office": ["analyst"]},
    "roles.by_email": {"Ada@Example.org": ["safety"]},
    "roles.by_subject": {"subject-7": ["admin", "planner"]},
}

#: A value that takes the key out.
GONE = object()


def write_file(path: Path, mode: int = 0o600, **changed: dict[str, Any]) -> Path:
    """The right file with keys changed: ``write_file(path, auth={"cookie_secret": "short"})``; dots of a table's name
    are written ``__``."""
    tables = {name: dict(table) for name, table in RIGHT.items()}
    for name, table in changed.items():
        tables.setdefault(name.replace("__", "."), {}).update(table)
    lines: list[str] = []
    for name, table in tables.items():
        lines.append(f"[{name}]")
        # JSON's texts, numbers and lists of texts are TOML's too
        lines += [f"{json.dumps(key)} = {json.dumps(value)}" for key, value in table.items() if value is not GONE]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    path.chmod(mode)
    return path
