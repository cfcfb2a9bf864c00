"""What a process says of itself, so that machines of other versions are told before they read anything.

This module needs nothing of the package: it is sent as it stands, also to a process that has none of it or an old one.
"""

import hashlib
import importlib.metadata
import importlib.util
import sys
from pathlib import Path

#: Other versions of these may give other rows, or cannot read what is sent.
DECISIVE = ("numpy", "numba", "scipy", "pyarrow", "distributed")


def told() -> dict[str, str | None]:
    """Versions of this process by name, None for what is not there; ``code``: fingerprint of the package's files."""
    return {
        "fleetbrake": _package(),
        "code": _code(),
        "Python": f"{sys.version_info.major}.{sys.version_info.minor}",
        **{name: _installed(name) for name in DECISIVE},
    }


def _package() -> str | None:
    try:
        import fleetbrake
    except ImportError:
        return None
    return str(getattr(fleetbrake, "__version__", None))


def _code() -> str | None:
    """Kept once it was asked for: a process goes on with what it has loaded, whatever becomes of the files."""
    try:
        import fleetbrake
    except ImportError:
        return None
    kept = getattr(fleetbrake, "_code_told", None)
    if kept is None:
        folder = Path(str(fleetbrake.__file__)).parent
        digest = hashlib.sha256()
        for path in sorted(folder.rglob("*.py")):
            if "_dashboards" not in path.parts:
                digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
        kept = fleetbrake._code_told = digest.hexdigest()[:12]  # type: ignore[attr-defined]
    return str(kept)


def _installed(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return None
