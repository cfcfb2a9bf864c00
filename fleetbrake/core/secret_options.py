"""Options of an address by which object stores are given what is secret."""

import re
from typing import Final
from urllib.parse import parse_qsl

_SECRET: Final = re.compile(
    r"secret|passw|token|credential|signature|^sig$|^sas$|(access|account|api|private)[-_]?key", re.IGNORECASE
)


def has_secret(query: str) -> bool:
    """Whether what stands behind the question mark of an address names a key, a password or the like."""
    return any(_SECRET.search(key) for key, _ in parse_qsl(query.replace(";", "&"), keep_blank_values=True))
