"""What the figures were measured on, in one line each."""

import importlib.metadata
import os
import platform
from pathlib import Path

LIBRARIES = ("numpy", "numba", "pyarrow", "duckdb", "pandas", "scipy")


def first_value(text: str, name: str) -> str:
    """The value of the first ``name : value`` line, as in ``/proc/cpuinfo``; ``unknown`` where there is none."""
    for line in text.splitlines():
        key, _, value = line.partition(":")
        if key.strip() == name:
            return " ".join(value.split())
    return "unknown"


def described() -> list[str]:
    """Processor, memory, system, versions."""
    cpus, memory = (_text(Path("/proc") / name) for name in ("cpuinfo", "meminfo"))
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    kib = first_value(memory, "MemTotal").split()[0]
    gib = f"{int(kib) / 2**20:.0f} GiB" if kib.isdigit() else "unknown"
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in LIBRARIES)
    return [
        f"{cores} cores of {first_value(cpus, 'model name')}, {gib} of memory, {platform.system()}",
        f"Python {platform.python_version()}, {versions}",
    ]


def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8") if path.exists() else ""
