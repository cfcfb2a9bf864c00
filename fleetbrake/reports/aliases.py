"""Stable aliases for drivers: the same store gives the same driver the same alias; nobody else can compute it."""

import base64
import hashlib
import hmac
import os
import secrets
from collections.abc import Callable
from pathlib import Path

from fleetbrake.core.errors import StoreError

KEY_FILE = "driver-aliases.key"
_KEY_BYTES = 32


def aliases(store: Path) -> Callable[[str], str]:
    """Function from driver id to alias, ``driver-`` and ten letters or digits (50 bits of a keyed hash).

    The key is drawn once and kept in the store, readable by its owner only.

    Raises
    ------
    StoreError
        If the key cannot be read or written.
    """
    return aliases_by(_key(Path(store) / KEY_FILE))


def aliases_by(key: bytes) -> Callable[[str], str]:
    """Function from driver id to alias under one key."""

    def alias(driver_id: str) -> str:
        digest = hmac.new(key, driver_id.encode("utf-8", "surrogatepass"), hashlib.sha256).digest()
        return "driver-" + base64.b32encode(digest).decode()[:10]

    return alias


def _key(path: Path) -> bytes:
    try:
        if not path.exists():
            _draw(path)
        key = path.read_bytes()
    except OSError as error:
        raise StoreError("The key for driver aliases cannot be read or written in the store folder.") from error
    if len(key) != _KEY_BYTES:
        raise StoreError(f"The key for driver aliases ({path.name} in the store) is damaged: restore or remove it.")
    return key


def _draw(path: Path) -> None:
    """Write a new key whole or not at all; where another run was faster, its key stands."""
    draft = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
    handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(secrets.token_bytes(_KEY_BYTES))
        try:
            os.link(draft, path)
        except FileExistsError:
            pass
        except OSError:  # a file system without hard links
            draft.replace(path)
            return
    finally:
        draft.unlink(missing_ok=True)
