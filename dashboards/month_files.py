"""The month's files as one archive: written by the command in a process of its own, kept until something new is
published."""

import io
import subprocess
import sys
import tempfile
import threading
import zipfile
from pathlib import Path

import streamlit as st
from seat import Seat

from fleetbrake.core.errors import FleetbrakeError
from fleetbrake.store.database import publication_stamp

#: Longest that a report may take (s): a month of 100,000 events takes a tenth of it.
_LONGEST_S = 600
#: Archives kept in memory at most, over all who look.
_MOST_KEPT = 4

_WRITING = threading.Lock()


def month_archive(seat: Seat, month: str) -> bytes:
    """The files of ``fleetbrake report`` for the month as a ZIP archive, in the seat's units; drivers' ids only for
    whose role has them.

    Raises
    ------
    FleetbrakeError
        If the report could not be written, or another one is being written just now.
    """
    system = seat.measures.system.value
    return _archive(str(seat.store.resolve()), publication_stamp(seat.store), month, seat.viewer.sees_drivers, system)


@st.cache_data(max_entries=_MOST_KEPT, ttl=3600, show_spinner=False)
def _archive(store: str, stamp: tuple[int, int], month: str, with_names: bool, system: str) -> bytes:
    if not _WRITING.acquire(blocking=False):
        raise FleetbrakeError("A month is being written for somebody else just now. Try again in a minute.")
    try:
        with tempfile.TemporaryDirectory(prefix="month-files-") as folder:
            _write(store, month, with_names, system, Path(folder))
            return _packed(Path(folder))
    finally:
        _WRITING.release()


def _write(store: str, month: str, with_names: bool, system: str, out: Path) -> None:
    command = [
        sys.executable,
        "-P",
        "-m",
        "fleetbrake.cli",
        "report",
        f"--store={store}",
        f"--month={month}",
        f"--out={out}",
    ]
    command += [f"--units={system}"]
    try:
        done = subprocess.run(  # noqa: S603 - our own interpreter and words, no shell
            [*command, *(["--with-driver-names"] if with_names else [])],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_LONGEST_S,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise FleetbrakeError(f"The month's files took longer than {_LONGEST_S} s and were given up.") from error
    if done.returncode != 0:
        lines = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise FleetbrakeError(lines[-1] if lines else "The month's files could not be written.")


def _packed(folder: Path) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            archive.write(path, path.relative_to(folder))
    return packed.getvalue()
