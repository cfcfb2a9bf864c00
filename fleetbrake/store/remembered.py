"""What a store holds beside the lake, noted in a second place: what is gone whole must not pass for what never was.

A list of the forgotten that is lost with its key looks like a store in which nobody was forgotten, and so on. Numbers
and names of registers are noted here, never what they hold; the published file keeps a copy of the note. A number only
grows: where less is there than was, or an older copy, those who read it refuse, until it was put back from a copy of
the store, or a person says that it is lost for good. The note is kept again in the file of the store's format.
"""

import hashlib
import hmac
import json
from contextlib import suppress
from functools import reduce
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from fleetbrake.core.errors import StoreError
from fleetbrake.core.tables import REGISTERS
from fleetbrake.store.disk_words import no_access, reason_to_read
from fleetbrake.store.entered_seals import Given, given
from fleetbrake.store.files import write_bytes
from fleetbrake.store.format_mark import keep_note, note_again
from fleetbrake.store.log_mark import LogMark, log_mark
from fleetbrake.store.note import PARTS, Remembered
from fleetbrake.store.note_lock import note_lock
from fleetbrake.store.numbered import written
from fleetbrake.store.run_numbers import runs_begun
from fleetbrake.store.secret_key import ALIASES_KEY, KEY_BYTES

__all__ = [
    "PARTS", "REMEMBERED", "REMEMBERED_NAME", "Remembered", "bring_back", "give_up", "hold_number", "is_older_list",
    "made_anew", "no_copy", "noted_in", "register_path", "remember", "remember_aliases", "remember_entries",
    "remember_log", "remember_made_anew", "remember_run", "remembered", "seen", "with_scores", "writing_of",
]  # fmt: skip

#: The note, and the setting of the published file that holds its copy.
REMEMBERED_NAME: Final = "remembered.json"
REMEMBERED: Final = "remembered"
#: Name of a number beside the rules of retention, see :func:`made_anew`.
PUBLISHED_ANEW: Final = "published"


def register_path(store: Path, name: str) -> Path:
    """Where a register is kept. StoreError where there is no such register."""
    if name not in REGISTERS:
        raise StoreError(f"There is no register {name!r}.")
    return store / "registers" / f"{name}.parquet"


def no_copy(part: str) -> str:
    """What to do where no copy of the store has it."""
    return f"Where no copy has it, `fleetbrake check --lost-for-good {part}` goes on without."


def remembered(store: Path) -> Remembered:
    """What was noted; nothing in a store of an earlier version. StoreError where the note is damaged."""
    again = noted_in(note_again(store))
    return _note(store) if again is None else _note(store).together(again)


def _note(store: Path) -> Remembered:
    """As :func:`remembered`, from the note alone."""
    path = store / REMEMBERED_NAME
    try:
        return _opened(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        return Remembered()
    except OSError as error:
        raise StoreError(
            f"{path}, the note of what the store holds, cannot be read: {reason_to_read(error)}."
        ) from error
    except ValueError as error:
        raise StoreError(
            f"{path}, the note of what the store holds, cannot be read; put it back from a copy of the store, or "
            "remove it if nothing else is lost."
        ) from error


def remember(store: Path) -> None:
    """Note what is there now besides what was noted. Only for the holder of the writer's lock.

    Raises
    ------
    StoreError
        The note is damaged or cannot be written.
    """
    _note_more(store, seen(store))


def remember_entries(store: Path, besides: Remembered) -> None:
    """Note, without the writer's lock, which entry is the last: those that are lost before a run are missed then.

    Whoever has entered is done: what keeps the note from being written is told by the next run. ``besides``: what was
    noted in other places.
    """
    now = _entries(store)
    with suppress(StoreError):
        _note_more(store, Remembered(entries=now.last, entered_file=now.file), besides)


def remember_aliases(store: Path) -> None:
    """Note, without the writer's lock, by which key aliases are drawn up; as :func:`remember_entries`."""
    with suppress(StoreError):
        _note_more(store, Remembered(aliases=_word(store / ALIASES_KEY)))


def remember_run(store: Path) -> None:
    """Note, without the writer's lock, that one more unattended run was begun: not each of them publishes."""
    now = _runs(store)
    with suppress(StoreError):
        _note_more(store, Remembered(runs=now.last, runs_file=now.file))


def remember_log(store: Path, log: LogMark) -> None:
    """Note the log that was just written: its rows may be all there is of recordings before they are published."""
    _note_more(store, Remembered(recordings=log.rows, readings=log.readings, writings={"log": log.number}))


def remember_made_anew(store: Path, number: int) -> None:
    """Note how often the published file was made anew because something was dropped."""
    _note_more(store, Remembered(made_anew=number))


def _note_more(store: Path, now: Remembered, besides: Remembered = Remembered()) -> None:
    with note_lock(store):
        known = remembered(store)
        more = known.together(besides).with_more(now)
        if more != known:
            _write(store, more)


def with_scores(store: Path, scored_to: str, scorings: int) -> str:
    """The text of the note as it is once scores up to this day are published, for its copy among them."""
    return _closed(remembered(store).scored(scored_to, scorings))


def note_scores(store: Path, scored_to: str, scorings: int) -> None:
    """Scores up to this day are published. Only for the holder of the writer's lock."""
    with note_lock(store):
        known = remembered(store)
        now = known.scored(scored_to, scorings)
        if now != known:
            _write(store, now)


def bring_back(store: Path, copy: str | None) -> None:
    """Bring the note and its copies together, the published file's and the one kept again: each may be gone, damaged,
    or older. What is in one of them was there. Only for the holder of the writer's lock."""
    copies = [told for told in (noted_in(copy), noted_in(note_again(store))) if told is not None]
    if copies or (store / REMEMBERED_NAME).exists():
        with note_lock(store):
            _bring_back(store, reduce(Remembered.together, copies) if copies else None)


def _bring_back(store: Path, told: Remembered | None) -> None:
    known, damaged = Remembered(), False
    try:
        known = _note(store)
    except StoreError as error:
        if no_access(error.__cause__):
            raise
        damaged = True
    if told is None:
        if damaged:  # whoever needs the note says so
            return
        now = known
    elif known == Remembered():
        now = told.with_more(seen(store))  # the copy may be of before the last change
    else:
        now = known.together(told)
    if damaged or now != known:
        _write(store, now)
    keep_note(store, _closed(now))


def noted_in(copy: str | None) -> Remembered | None:
    """The note from a copy of it; None where there is none, or it is another than was written."""
    try:
        return None if copy is None else _opened(copy)
    except ValueError:
        return None


def give_up(store: Path, part: str) -> None:
    """Note of one of ``PARTS`` what is there now, whatever was. Only for the holder of the writer's lock."""
    with note_lock(store):
        _write(store, remembered(store).lowered(part, seen(store)))


def is_older_list(store: Path, part: str) -> bool:
    """Whether the list of the ``forgotten`` or of ``dropped`` rows is there and not the newest."""
    known, now = remembered(store), seen(store)
    return part in now.writings and now.writings[part] < known.writings.get(part, 0)


def seen(store: Path) -> Remembered:
    """What is there now. A part that cannot be read counts as not there: those who read it tell."""
    forgotten, holds = _json(store / "forgotten.json"), _json(store / "holds.json")
    rules = _json(store / "retention.json")
    stones = forgotten.get("tombstones") if isinstance(forgotten, dict) else None
    entries, runs, dropped = _entries(store), _runs(store), written(store / "dropped.parquet")
    log = log_mark(store)
    there = [name for name in sorted(REGISTERS) if register_path(store, name).is_file()]
    newest, writings = _newest_hold(holds), {"dropped": dropped.number} if dropped is not None else {}
    if log is not None and log.number:
        writings["log"] = log.number
    if isinstance(stones, list):
        writings["forgotten"] = writing_of(forgotten)
    return Remembered(
        forgotten=len(stones) if isinstance(stones, list) else 0,
        holds=len(holds) if isinstance(holds, list) else 0,
        newest_hold=newest,
        hold_number=newest,
        writings=writings,
        rules=isinstance(rules, dict) and rules.get("policy") is not None,
        rules_written=writing_of(rules),
        made_anew=made_anew(rules),
        dropped=dropped.rows if dropped is not None else 0,
        aliases=_word(store / ALIASES_KEY),
        registers=tuple(there),
        registers_written={name: told for name in there if (told := written(register_path(store, name)))},
        recordings=log.rows if log is not None else 0,
        readings=log.readings if log is not None else "",
        entries=entries.last,
        entered_file=entries.file,
        runs=runs.last,
        runs_file=runs.file,
    )


def _entries(store: Path) -> Given:
    try:
        return given(store)
    except StoreError:
        return Given()


def _runs(store: Path) -> Given:
    try:
        return runs_begun(store)
    except StoreError:
        return Given()


def _json(path: Path) -> Any:
    try:
        return json.loads(path.read_bytes())
    except (OSError, ValueError):
        return None


def _newest_hold(holds: Any) -> int:
    ids = [one.get("hold_id") for one in holds if isinstance(one, dict)] if isinstance(holds, list) else []
    return max((hold_number(one) for one in ids if isinstance(one, str)), default=0)


def hold_number(hold_id: str) -> int:
    """The number in the id of a hold; 0 where there is none."""
    digits = hold_id.rpartition("-")[2]
    return int(digits) if digits.isdecimal() else 0


def writing_of(kept: Any) -> int:
    """How often other rules, or another list, were written, as their file says; 0 where it does not, or is damaged."""
    told = kept.get("written") if isinstance(kept, dict) else None
    return told if isinstance(told, int) and told > 0 else 0


def made_anew(rules: Any) -> int:
    """How often the published file was made anew because something was dropped, by the file of the rules."""
    told = rules.get(PUBLISHED_ANEW) if isinstance(rules, dict) else None
    return told if isinstance(told, int) and told > 0 else 0


def _word(path: Path) -> str:
    try:
        key = path.read_bytes()
    except OSError:
        return ""
    return hmac.digest(key, b"the same key", "sha256").hex()[:16] if len(key) == KEY_BYTES else ""


def _closed(known: Remembered) -> str:
    kept = known.model_dump(mode="json")
    return json.dumps({"kept": kept, "seal": _seal(kept)}, sort_keys=True)


def _opened(text: str) -> Remembered:
    """The note from its text; ``ValueError`` where it is another than was written."""
    try:
        told = json.loads(text)
        kept = told["kept"]
        if told["seal"] != _seal(kept):
            raise ValueError("it is not what was written")
        return Remembered.model_validate(kept)
    except (KeyError, TypeError, ValidationError) as error:
        raise ValueError("it is no note") from error


def _seal(kept: Any) -> str:
    """Against damage, not against forgers."""
    return hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()[:32]


def _write(store: Path, known: Remembered) -> None:
    write_bytes(store / REMEMBERED_NAME, (_closed(known) + "\n").encode(), same_rights=True)
    keep_note(store, _closed(known))
