"""What lies in the folder of a store: what each part of the program keeps there, what killed runs left, what else."""

import re
import stat
from collections import Counter
from pathlib import Path
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.reports.aliases import KEY_FILE
from fleetbrake.store.ageing.dropped_rows import DROPPED_NAME
from fleetbrake.store.ageing.retention import RETENTION_NAME
from fleetbrake.store.ageing.retention_lake import SWEPT
from fleetbrake.store.arriving import ARRIVING, NOTE
from fleetbrake.store.database import DATABASE_NAME, PRIVATE_BEGINS
from fleetbrake.store.entered import ENTERED_NAME
from fleetbrake.store.files import PART
from fleetbrake.store.forgetting.tombstones import KEY_NAME, TOMBSTONES_NAME
from fleetbrake.store.format_mark import FORMAT_NAME
from fleetbrake.store.holding.held_manifest import HELD_FOLDER
from fleetbrake.store.holding.holds import HOLDS_NAME
from fleetbrake.store.in_hand import NAME as IN_HAND
from fleetbrake.store.lake import KEY_FORM
from fleetbrake.store.lock import HOLDER_NAME, LOCK_NAME
from fleetbrake.store.mappings import MAPPINGS_FOLDER
from fleetbrake.store.note_lock import NOTE_LOCK_NAME
from fleetbrake.store.readings import READINGS_NAME
from fleetbrake.store.remembered import REMEMBERED_NAME, no_copy, remembered, seen
from fleetbrake.store.run_numbers import RUNS_NAME
from fleetbrake.store.runs import RUNNING_FOLDER
from fleetbrake.store.sealed import SET_ASIDE
from fleetbrake.store.secret_key import key_mode
from fleetbrake.store.unfinished import NAME as UNFINISHED
from fleetbrake.upkeep.check.closed import closed_files
from fleetbrake.upkeep.check.outcome import FROM_COPY, Damage, Outcome

#: Keys that open what is veiled or forgotten.
KEY_FILES: Final = (KEY_FILE, KEY_NAME)

_FILES: Final = (
    *(DATABASE_NAME, LOCK_NAME, HOLDER_NAME, FORMAT_NAME, HOLDS_NAME, RETENTION_NAME, DROPPED_NAME, TOMBSTONES_NAME),
    *(KEY_NAME, KEY_FILE, NOTE, "monthly.lock", IN_HAND, REMEMBERED_NAME, NOTE_LOCK_NAME, READINGS_NAME),
)
_WHOLE_FOLDERS: Final = (HELD_FOLDER, SET_ASIDE, "logs", RUNNING_FOLDER)
_KNOWN: Final = re.compile(
    "|".join(
        (
            *map(re.escape, _FILES),
            *(rf"{re.escape(name)}(-journal|-wal|-shm)?" for name in (ENTERED_NAME, RUNS_NAME)),
            r"\.?heartbeat-[a-z]+\.json(\.lock)?",
            *(rf"{name}/.*" for name in _WHOLE_FOLDERS),
            rf"{MAPPINGS_FOLDER}/[0-9a-f]+\.json",
            rf"registers/({'|'.join(REGISTERS)})\.parquet",
            rf"lake/(?:(log|blocks)\.parquet|{UNFINISHED}|{SWEPT})",
            rf"lake/(events|event_wheels)/{KEY_FORM}\.parquet",
            rf"lake/blocks/{KEY_FORM}\.(events|event_wheels)\.parquet",
        )
    )
)
_LEFT: Final = re.compile(
    rf"{re.escape(PRIVATE_BEGINS)}.*|(.*/)?\.[^/]*{re.escape(PART)}|{ARRIVING}/.*|[^/]*\.key\.[0-9a-f]{{8}}"
)


def check_folder(store: Path, index: pa.Table | None, out: Outcome, damage: Damage) -> None:
    """Tell what killed runs left, and what no part of the program knows."""
    found: Counter[str] = Counter()
    blocks = None if index is None else set(pc.unique(index.column("block")).to_pylist())
    for path in sorted(store.rglob("*")):
        name = path.relative_to(store).as_posix()
        if path.is_dir() and not path.is_symlink():
            continue
        found["files"] += 1
        if _LEFT.fullmatch(name) or _unnamed_block(name, blocks):
            found["left"] += 1
        elif not _KNOWN.fullmatch(name) or path.is_symlink():
            out.notes.add(f"{name}: no part of the program knows this; it is left alone.")
    aside = sum(one.is_file() for one in (store / SET_ASIDE).rglob("*"))
    if aside:
        out.notes.add(f"{SET_ASIDE}: {aside} files that repairs took out of use; remove them when nobody needs them.")
    for sentence in closed_files(store):
        out.wrong.add(sentence)
    damage.left |= found["left"] > 0
    if found["left"]:
        out.notes.add(f"{found['left']} files that runs left that were ended; the next run, or --repair, removes them.")
    out.looked_at = f"{found['files']} files"


def _unnamed_block(name: str, blocks: set[str] | None) -> bool:
    return blocks is not None and name.startswith("lake/blocks/") and name[12:].split(".", 1)[0] not in blocks


def check_key_files(store: Path, out: Outcome, damage: Damage) -> None:
    """Keys are read by their owner alone, and are those of then."""
    there = [name for name in KEY_FILES if (store / name).is_file()]
    for name in there:
        path = store / name
        told = path.stat()
        right = key_mode(store, told.st_gid)
        if stat.S_IMODE(told.st_mode) & 0o077 & ~right:
            out.wrong.add(
                f"{name} can be read or written by others than {'its owner' if right == 0o600 else 'those'}"
                f"{'' if right == 0o600 else ' who write the store'}."
            )
            damage.keys.append(name)
        elif right & ~told.st_mode & 0o040:
            out.notes.add(
                f"{name} can be read by its owner alone, and a group writes this store: its others need `chmod g+r "
                f"{name}` to go on with it."
            )
        if name == KEY_FILE and path.stat().st_size != 32:
            out.wrong.add(f"{name} is damaged: aliases of drivers cannot be drawn up; put it back from a copy.")
            break
    else:
        _check_aliases(store, out)
    out.looked_at = f"{len(there)} keys"


def _check_aliases(store: Path, out: Outcome) -> None:
    """The key of the aliases is the one that they were given out with."""
    try:
        then = remembered(store).aliases
    except StoreError as error:
        out.wrong.add(str(error))
        return
    now = seen(store).aliases
    if not now and (store / KEY_FILE).exists():
        return  # it cannot be opened now, which is told of the folder
    if then and then != now:
        what = "is another one" if now else "is gone"
        out.wrong.add(
            f"{KEY_FILE} {what}: drivers get other aliases than they had in reports and on pages; {FROM_COPY}. "
            f"{no_copy('aliases')}"
        )
