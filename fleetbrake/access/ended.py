"""Sign-ins that were ended before their time: whoever signs out is out in every tab, and a copied cookie with them."""

import threading
from collections.abc import Mapping
from typing import Any, Final

Key = tuple[str, str, float]

#: Ended sign-ins remembered at most; the oldest go first. Own choice, some megabytes.
_MOST: Final = 20_000


class Ended:
    """Which sign-ins were ended. Safe to use from several threads; forgotten when the process ends."""

    def __init__(self) -> None:
        self._keys: dict[Key, None] = {}
        self._lock = threading.Lock()

    def end(self, claims: Mapping[str, Any]) -> None:
        """End the sign-in that these claims are of; nothing where :func:`can_be_ended` says no: it is none."""
        key = _key(claims)
        if key is None:
            return
        with self._lock:
            self._keys[key] = None
            while len(self._keys) > _MOST:
                self._keys.pop(next(iter(self._keys)))

    def __contains__(self, claims: Mapping[str, Any]) -> bool:
        key = _key(claims)
        with self._lock:
            return key in self._keys


def can_be_ended(claims: Mapping[str, Any]) -> bool:
    """Whether these claims name one sign-in of one person: signing out would do nothing to any other."""
    return _key(claims) is not None


def _key(claims: Mapping[str, Any]) -> Key | None:
    """Provider, person and moment of a sign-in: one sign-in each (OpenID Connect Core 1.0 section 2, from memory)."""
    issuer, subject, at = claims.get("iss"), claims.get("sub"), claims.get("iat")
    if not isinstance(subject, str) or not subject.strip() or isinstance(at, bool) or not isinstance(at, int | float):
        return None
    return str(issuer), subject, float(at)


#: Of this process: the door ends sign-ins, the pages ask.
ENDED: Final = Ended()
