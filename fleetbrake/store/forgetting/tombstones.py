"""Who was forgotten: keyed fingerprints by which an id is known again when it comes back, and nothing of the id itself.

``forgotten.json`` holds them, ``forgotten.key`` the key that was drawn once. Whoever has both and a guess can test the
guess; nobody can read an id from them. Without its key the list knows nobody any more, so that nothing is read in then.
"""

import base64
import hmac
import re
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fleetbrake.core.errors import StoreError
from fleetbrake.core.folded_text import SEPARATOR, fold_text, word_spans
from fleetbrake.store.disk_words import no_access, reason_to_read
from fleetbrake.store.files import write_atomically
from fleetbrake.store.remembered import no_copy, remember, remembered
from fleetbrake.store.secret_key import KEY_BYTES, secret_key

TOMBSTONES_NAME: Final = "forgotten.json"
KEY_NAME: Final = "forgotten.key"
#: What :meth:`Tombstones.word` puts in the place of an id.
OWN_WORD: Final = re.compile(r"forgotten[a-z2-7]{10}")
_WHAT: Final = "the key of the forgotten drivers"


class Tombstone(BaseModel):
    """One forgotten id. Fingerprints are hexadecimal.

    Attributes
    ----------
    exact : of the id as it was given.
    in_text : of the id as it is looked for in texts; empty if it has no letter and no digit.
    begins : four digits of the fingerprint of its first word, by which most texts are passed over quickly.
    lead, words, trail : its words, and the other characters before the first and after the last one.
    length : characters of the id as it is looked for in texts; 0 in a list of an earlier version.
    anywhere : found in any text; otherwise only after the word "driver".
    on : day (UTC) on which it was asked for.
    erased : nothing that names it is left in the store, but for what a hold keeps (``held``).
    held : ids of the holds that keep some of the forgotten ids, perhaps this one.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    exact: str
    in_text: str
    begins: str
    lead: int = Field(ge=0)
    words: int = Field(ge=0)
    trail: int = Field(ge=0)
    length: int = Field(0, ge=0)
    anywhere: bool
    on: date
    erased: bool = False
    held: tuple[str, ...] = ()


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    key_check: str
    tombstones: tuple[Tombstone, ...]
    vehicles: tuple[str, ...] = ()
    written: int = Field(0, ge=0)


@dataclass(frozen=True)
class Tombstones:
    """The forgotten ids of a store.

    Attributes
    ----------
    key : of the fingerprints; empty without any.
    stones : one a forgotten id.
    vehicles : ids of vehicles that hold a forgotten one as a word: they stay, since a vehicle that cannot be found is
        not inspected.
    written : how often a list of others was written, by which an older copy is known; 0 in one of an earlier version.
    """

    key: bytes = b""
    stones: tuple[Tombstone, ...] = ()
    vehicles: tuple[str, ...] = ()
    written: int = field(default=0, compare=False)

    @property
    def some_left(self) -> bool:
        """Whether a forgotten id may still stand somewhere in the store."""
        return any(stone.held or not stone.erased for stone in self.stones)

    def fingerprint(self, kind: str, text: str) -> str:
        """Keyed fingerprint of a text; ``kind`` keeps uses apart."""
        return _digest(self.key, kind, text).hex()

    def word(self, text: str) -> str:
        """What stands in ``text`` in the place of an id: another word in each text, the same whenever it is read."""
        return "forgotten" + base64.b32encode(_digest(self.key, "word", text)).decode()[:10].lower()


def _digest(key: bytes, kind: str, text: str) -> bytes:
    return hmac.digest(key, kind.encode() + b"\0" + text.encode("utf-8", "surrogatepass"), "sha256")


def read_tombstones(store: Path) -> Tombstones:
    """The forgotten ids of a store; empty where nobody was forgotten.

    Raises
    ------
    StoreError
        The list or its key cannot be read, one is gone without the other, or the list names fewer than were forgotten
        here: forgotten ids would come back unseen.
    """
    known = listed_tombstones(store)
    _refuse_fewer(store, known)
    return known


def listed_tombstones(store: Path) -> Tombstones:
    """The list with its key as they are, whoever is missing in it. StoreError if they cannot be read."""
    path = store / TOMBSTONES_NAME
    try:
        kept = _File.model_validate_json(path.read_bytes())
    except FileNotFoundError as error:
        if not (store / KEY_NAME).exists():
            return Tombstones()
        raise StoreError(
            f"The list of forgotten drivers ({path}) is gone, its key ({KEY_NAME}) is not: nothing is read in or "
            f"written. Restore the list; if nobody was ever forgotten here, remove {KEY_NAME}. "
            f"{no_copy('forgotten')}"
        ) from error
    except OSError as error:
        raise StoreError(
            f"The list of forgotten drivers ({path}) cannot be read ({reason_to_read(error)}): nothing is read in or "
            "written."
        ) from error
    except ValidationError as error:
        raise StoreError(
            f"The list of forgotten drivers ({path}) cannot be read: nothing is read in or written. "
            f"{no_copy('forgotten')}"
        ) from error
    if not kept.tombstones:  # a run was killed before it wrote the first one down
        return Tombstones(written=kept.written)
    known = Tombstones(_key(store, draw=False), kept.tombstones, kept.vehicles, kept.written)
    if known.fingerprint("check", "") != kept.key_check:
        raise StoreError(
            f"{KEY_NAME} in the store is not the key of its list of forgotten drivers: restore the right one. "
            f"{no_copy('forgotten')}"
        )
    return known


def _refuse_fewer(store: Path, known: Tombstones) -> None:
    """StoreError where the list names fewer ids than were forgotten, or is an older copy, which may name others."""
    noted = remembered(store)
    lost = noted.forgotten - len(known.stones)
    if lost > 0:
        raise StoreError(
            f"{lost} drivers were forgotten here of whom {TOMBSTONES_NAME} says nothing any more, and would come back: "
            f"nothing is read in or written. Put {TOMBSTONES_NAME} and {KEY_NAME} back from a copy of the store. "
            f"{no_copy('forgotten')}"
        )
    if known.stones and known.written < noted.writings.get("forgotten", 0):
        raise StoreError(
            f"{TOMBSTONES_NAME} is an older copy than the list that was written last, and who was forgotten since "
            f"would come back: nothing is read in or written. Put the newest {TOMBSTONES_NAME} and {KEY_NAME} back "
            f"from a copy of the store. {no_copy('forgotten')}"
        )


def take_older_list(store: Path) -> None:
    """Let the list that is there count as the newest. Only for the holder of the writer's lock."""
    _write(store, listed_tombstones(store), anew=True)


def add_tombstone(store: Path, driver_id: str, *, anywhere: bool, vehicles: Iterable[str] = ()) -> Tombstones:
    """Write an id down as forgotten, not yet erased; once more changes nothing but that.

    Only for the holder of the writer's lock. ``vehicles``: see :class:`Tombstones`. Raises ``StoreError``.
    """
    known = read_tombstones(store)
    if not known.stones:
        # an empty list first: wherever a run is killed, a key without a list means that the list was lost
        _write(store, Tombstones())
        known = Tombstones(_key(store, draw=True))
    stone = _tombstone(known, driver_id, anywhere)
    others = tuple(one for one in known.stones if one.exact != stone.exact)
    return _write(store, Tombstones(known.key, (*others, stone), tuple(sorted({*known.vehicles, *vehicles}))))


def one_tombstone(driver_id: str, *, anywhere: bool, vehicles: Iterable[str] = ()) -> Tombstones:
    """A list of one id under a passing key, kept nowhere: to look for what the list of a store would know."""
    known = Tombstones(secrets.token_bytes(KEY_BYTES))
    return Tombstones(known.key, (_tombstone(known, driver_id, anywhere),), tuple(vehicles))


def mark_erased(store: Path, held: Iterable[str] = ()) -> Tombstones:
    """Write down that nothing of the forgotten ids is left, but for what the holds of these ids keep.

    Only for the holder of the writer's lock.
    """
    known, holding = read_tombstones(store), tuple(sorted(held))
    stones = tuple(one.model_copy(update={"erased": True, "held": holding}) for one in known.stones)
    return known if stones == known.stones else _write(store, Tombstones(known.key, stones, known.vehicles))


def mark_left(store: Path) -> None:
    """Write down that forgotten ids stand in the store again: the next run that writes erases them.

    Only for the holder of the writer's lock.
    """
    known = read_tombstones(store)
    stones = tuple(one.model_copy(update={"erased": False}) for one in known.stones)
    if stones != known.stones:
        _write(store, Tombstones(known.key, stones, known.vehicles))


def _tombstone(known: Tombstones, driver_id: str, anywhere: bool) -> Tombstone:
    """The fingerprints of an id."""
    text = fold_text(driver_id)[0].strip(SEPARATOR)
    spans = word_spans(text)
    return Tombstone(
        exact=known.fingerprint("id", driver_id),
        in_text=known.fingerprint("text", text) if spans else "",
        begins=known.fingerprint("begins", text[slice(*spans[0])])[:4] if spans else "",
        lead=spans[0][0] if spans else 0,
        words=len(spans),
        trail=len(text) - spans[-1][1] if spans else 0,
        length=len(text) if spans else 0,
        anywhere=anywhere,
        on=datetime.now(UTC).date(),
    )


def _key(store: Path, *, draw: bool) -> bytes:
    try:
        return secret_key(store / KEY_NAME, _WHAT, draw=draw)
    except StoreError as error:
        told = f"{error} Without it nobody knows who was forgotten: nothing is read in or written."
        if no_access(error.__cause__):
            raise StoreError(told) from error
        raise StoreError(f"{told} {no_copy('forgotten')}") from error


def _write(store: Path, known: Tombstones, *, anew: bool = False) -> Tombstones:
    """Put the list in place, as one newer than any before where it names others than the one there, or ``anew``."""
    there = _there(store)
    number = max(there.written, remembered(store).writings.get("forgotten", 0))
    number += anew or _names(there) != _names(known)
    check = known.fingerprint("check", "")
    kept = _File(key_check=check, tombstones=known.stones, vehicles=known.vehicles, written=number)

    def write(part: Path) -> None:
        part.write_text(kept.model_dump_json(indent=1) + "\n", encoding="utf-8")

    write_atomically(store / TOMBSTONES_NAME, write)
    remember(store)
    return known


def _there(store: Path) -> Tombstones:
    try:
        return listed_tombstones(store)
    except StoreError:  # gone or damaged: whatever is written now is newer
        return Tombstones()


def _names(known: Tombstones) -> tuple[frozenset[str], tuple[str, ...]]:
    return frozenset(stone.exact for stone in known.stones), known.vehicles
