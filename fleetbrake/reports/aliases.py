"""Stable aliases for drivers: the same store gives the same driver the same alias; nobody else can compute it."""

import base64
import hashlib
import hmac
from collections.abc import Callable
from pathlib import Path

from fleetbrake.core.errors import StoreError
from fleetbrake.store.disk_words import no_access
from fleetbrake.store.format import noted_anywhere
from fleetbrake.store.remembered import no_copy, remember_aliases
from fleetbrake.store.secret_key import ALIASES_KEY, secret_key

KEY_FILE = ALIASES_KEY


def aliases(store: Path) -> Callable[[str], str]:
    """Function from driver id to alias, ``driver-`` and ten letters or digits (50 bits of a keyed hash).

    The key is drawn once and kept in the store, readable by its owner only.

    Raises
    ------
    StoreError
        If the key cannot be read or written, or is gone: drivers would have other aliases than before.
    """
    path = Path(store) / KEY_FILE
    drawn_now = not path.exists()
    if drawn_now and noted_anywhere(path.parent).aliases and not path.exists():  # not drawn by another one just now
        raise StoreError(
            f"The key for driver aliases ({path}) is gone, and drivers would have other aliases than before. Put it "
            f"back from a copy of the store. {no_copy('aliases')}"
        )
    key = _key(path)
    if drawn_now:
        remember_aliases(path.parent)
    return aliases_by(key)


def _key(path: Path) -> bytes:
    try:
        return secret_key(path, "the key for driver aliases")
    except StoreError as error:
        if no_access(error.__cause__):
            raise
        raise StoreError(f"{error} {no_copy('aliases')}") from error


def aliases_by(key: bytes) -> Callable[[str], str]:
    """Function from driver id to alias under one key."""

    def alias(driver_id: str) -> str:
        digest = hmac.new(key, driver_id.encode("utf-8", "surrogatepass"), hashlib.sha256).digest()
        return "driver-" + base64.b32encode(digest).decode()[:10]

    return alias
