"""Forgotten ids taken out of values: drivers of columns become NULL, in texts a word stands in their place.

Only fingerprints of the ids are known, so that each run of words of a text is held against them. Texts that begin like
JSON are taken apart, percent signs of addresses are read.
"""

import json
import re
from collections.abc import Callable, Iterable
from copy import copy
from typing import Any, Final, TypeVar
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.compute as pc

from fleetbrake.core.folded_text import AFTER_DRIVER, BEFORE, SEPARATOR, fold_text, word_spans
from fleetbrake.store.forgetting.tombstones import Tombstone, Tombstones

#: Columns that hold a driver's id and nothing else.
DRIVER_COLUMNS: Final = frozenset({"driver_id", "driver"})
#: Columns of keys and closed words that are no driver's: vehicles, depots, codes. Never changed.
SPARED: Final = frozenset(
    (
        "vehicle_id", "trailer_ids", "depot", "category", "wheel", "suspect_wheel", "leading_indicator", "indicator",
        "measure", "unit", "basis", "priority", "status", "kind", "surface", "brake_source", "demand_kind",
        "speed_source", "actuation", "brake_control", "endurance_brake", "score_model", "model", "figure", "finding",
        "work", "method", "decision", "state", "sha256", "wheels_locked", "wheels_modulated", "modulation_wheels",
        "flag_and_wheels", "lockup_rule", "flag_id", "result", "part", "rules", "not_braking", "channel", "channels",
        "month", "settings", "key", "piece_key", "sensed_wheels", "lift_axles", "weekday", "subject",
    )
)  # fmt: skip
#: Words and runs of words are remembered up to this number, so that a store of any size is read in bounded memory.
_MOST_KEPT: Final = 500_000
_ASCII_WORDS: Final = re.compile(r"[0-9a-z]+").findall
#: What stands between the ids of several drivers in one cell.
_BETWEEN_IDS: Final = re.compile(r"[;,|/\\&+\t\r\n]+")
#: An id itself holds at most so many parts between such marks; own choice.
_MOST_PARTS: Final = 4
#: Columns with names of events, trips and files.
NAME_COLUMNS: Final = frozenset({"event_id", "trip_id", "trip", "path", "source_path"})
#: Such a name is looked for inside texts from this length on; own choice: a shorter one may be any other number.
_LONG_PHRASE: Final = 8
_ESCAPED: Final = re.compile(r"%[0-9A-Fa-f]{2}")

Change = Callable[[str], str]
V = TypeVar("V")


class Forgetter:
    """Knows the forgotten ids of a store. ``text`` is the function for free text; without any id it changes nothing."""

    def __init__(self, known: Tombstones) -> None:
        self._known = known
        self._exact = {stone.exact for stone in known.stones}
        self._stones = {stone.in_text: stone for stone in known.stones if stone.in_text}
        self._begins = {stone.begins for stone in known.stones if stone.in_text}
        shapes = {(stone.words, stone.lead, stone.trail) for stone in known.stones if stone.in_text}
        self._shapes = sorted(shapes, reverse=True)
        self._may: dict[str, bool] = {}
        self._found: dict[str, Tombstone | None] = {}
        self._drivers: dict[str, bool] = {}
        self._vehicles = _any_of(known.vehicles)
        self._lengths = sorted(
            {stone.length for stone in known.stones if stone.anywhere and stone.length}, reverse=True
        )
        self._phrases: dict[str, str] = {}
        self._sizes: list[int] = []
        self._marks: frozenset[str] = frozenset()

    def __bool__(self) -> bool:
        return bool(self._known.stones)

    def __getstate__(self) -> dict[str, Any]:
        """What is sent to another machine: without the texts that were looked at here."""
        return {**self.__dict__, "_may": {}, "_found": {}, "_drivers": {}}

    def knows(self, driver_id: str) -> bool:
        """Whether a cell of drivers names a forgotten one: his id, one written alike, or one of a list of ids."""
        return _kept(self._drivers, driver_id, self._named_in_cell)

    @property
    def anywhere(self) -> bool:
        """Whether each id is found wherever it stands in a text."""
        return all(stone.anywhere for stone in self._known.stones)

    def alike(self, driver_id: str) -> bool:
        """Whether a cell of drivers names a forgotten one in another way than he was named when he was forgotten."""
        return self.knows(driver_id) and self._known.fingerprint("id", driver_id) not in self._exact

    def _named_in_cell(self, cell: str) -> bool:
        return any(map(self._is_id, _listed(cell))) or any(
            # blanks too stand between ids, but also within names: a word counts if it is no word of a language
            (stone := self._cell_stone(word)) is not None and stone.anywhere and any(map(str.isdigit, word))
            for word in cell.split()
        )

    def _is_id(self, cell: str) -> bool:
        given = {self._known.fingerprint("id", cell), self._known.fingerprint("id", cell.strip())}
        return not given.isdisjoint(self._exact) or self._cell_stone(cell) is not None

    def _cell_stone(self, cell: str) -> Tombstone | None:
        return self._stones.get(self._known.fingerprint("text", fold_text(cell)[0].strip(SEPARATOR)))

    def with_phrases(self, phrases: dict[str, str]) -> "Forgetter":
        """One that also knows what to put in the place of these: names of events, trips and files that hold an id."""
        if phrases.items() <= self._phrases.items():
            return self
        more = copy(self)
        more._phrases = {**self._phrases, **phrases}
        more._sizes = sorted({len(one) for one in more._phrases if len(one) >= _LONG_PHRASE}, reverse=True)
        more._marks = self._marks.union(*(self._mark(one) for one in phrases))
        return more

    def _mark(self, phrase: str) -> set[str]:
        """What of a phrase is an id as it is written there: few different texts for all phrases of a driver."""
        places = self._places(phrase, own=True)
        return {phrase[start:stop] for start, stop in places} or {phrase}

    def own_name(self, name: str) -> str:
        """The name of an event, a trip or a file of a forgotten driver: rid of his id within longer words too."""
        return self._plain(name, own=True)

    def names_of(self, name: str) -> set[str]:
        """What the event, the trip or the file of this name may be called in the store."""
        return {name, self.text(name), self.own_name(name)} if self else {name}

    def cell(self, column: str, text: str) -> str:
        """A text of a column; names of events, trips and files that are known phrases are replaced as a whole."""
        phrase = self._phrases.get(text) if column in NAME_COLUMNS else None
        return self.text(text) if phrase is None else phrase

    def text(self, text: str) -> str:
        """The text with one word in place of each forgotten id; without any the text itself.

        Different texts stay different, the same text always gives the same.
        """
        if not self._stones or not text:
            return text
        if text[0] in "[{":
            return changed_json(text, self._told)
        return self._told(text)

    def texts(self, texts: Iterable[str], column: str = "") -> dict[str, str]:
        """Those of the texts of a column that name a forgotten id, with what they become."""
        return {one: new for one in texts if (new := self.cell(column, one)) != one}

    def names(self, text: str) -> bool:
        """Whether a text (a vehicle's id, for instance) holds a forgotten id, in other vehicles' ids too."""
        return bool(self._places(text, spared=False))

    def _told(self, text: str) -> str:
        if any(mark in text for mark in self._marks):
            text = self._without_phrases(text)
        return self._plain(text)

    def _without_phrases(self, text: str) -> str:
        """The text with what stands for each known phrase that is no part of a longer word, the longest first."""
        pieces, done, at = list[str](), 0, 0
        while at < len(text):
            size = 0
            if at == 0 or not text[at - 1].isalnum():
                known = (n for n in self._sizes if at + n <= len(text) and text[at : at + n] in self._phrases)
                size = next((n for n in known if not text[at + n : at + n + 1].isalnum()), 0)
            if size:
                pieces += [text[done:at], self._phrases[text[at : at + size]]]
                done = at + size
            at += size or 1
        return "".join([*pieces, text[done:]])

    def _plain(self, text: str, *, own: bool = False) -> str:
        places = self._places(text, own=own)
        if not places:
            if "%" not in text or not _ESCAPED.search(text):
                return text
            decoded = unquote(text)
            places = self._places(decoded, own=own)
            return self._replaced(decoded, places) if places else text
        return self._replaced(text, places)

    def _replaced(self, text: str, places: list[tuple[int, int]]) -> str:
        word = self._known.word(text)
        pieces, done = [], 0
        for start, stop in places:
            pieces += [text[done:start], word]
            done = stop
        return "".join([*pieces, text[done:]])

    def _places(self, text: str, *, spared: bool = True, own: bool = False) -> list[tuple[int, int]]:
        """Where forgotten ids stand in the text, in order; ``own``: in a name of his, where any word may be his id."""
        if text.isascii() and not own:  # quick for most texts: folding keeps these words as they are
            for word in _ASCII_WORDS(text.lower()):
                may = self._may.get(word)
                if self._may_begin(word) if may is None else may:
                    break
            else:
                return []
        told, at = fold_text(text)
        words = word_spans(told)
        kept = [found.span() for found in self._vehicles.finditer(text)] if spared and self._vehicles else []
        places: list[tuple[int, int]] = []
        first = 0
        while first < len(words):
            number, span = self._match(text, told, at, words, first, kept, own=own)
            if span is not None:
                places.append(span)
            first += number
        return sorted([*places, *self._glued(told, at, [*places, *kept])]) if own else places

    def _glued(self, told: str, at: list[int], taken: list[tuple[int, int]]) -> list[tuple[int, int]]:
        """Where ids stand within longer words; nothing that overlaps what is ``taken``."""
        found: list[tuple[int, int]] = []
        for length in self._lengths:
            for start in range(len(told) - length + 1):
                part = told[start : start + length]
                stone = self._stones.get(self._known.fingerprint("text", part))
                span = (at[start], at[start + length - 1] + 1)
                if stone is None or not stone.anywhere or _overlaps(span, [*taken, *found]):
                    continue
                found.append(span)
        return found

    def _match(
        self,
        text: str,
        told: str,
        at: list[int],
        words: list[tuple[int, int]],
        first: int,
        kept: list[tuple[int, int]],
        *,
        own: bool,
    ) -> tuple[int, tuple[int, int] | None]:
        """Number of words to go on by, and the place of the id that begins with the first of them."""
        if not self._may_begin(told[slice(*words[first])]):
            return 1, None
        for number, lead, trail in self._shapes:
            start, last = words[first][0] - lead, first + number - 1
            if last >= len(words) or start < 0 or words[last][1] + trail > len(told):
                continue
            stop = words[last][1] + trail
            for end in (stop, stop - 1) if trail == 0 and told[stop - 1] == "s" else (stop,):
                stone = self._stone(told[start:end])
                if stone is None:
                    continue
                span = (at[start], at[end - 1] + 1)
                named = AFTER_DRIVER.search(text[max(0, span[0] - BEFORE) : span[0]])
                if named or ((own or stone.anywhere) and not _within(span, kept)):
                    return number, span
        return 1, None

    def _may_begin(self, word: str) -> bool:
        def begins(one: str) -> bool:
            return self._known.fingerprint("begins", one)[:4] in self._begins

        return _kept(self._may, word, lambda one: begins(one) or (one.endswith("s") and begins(one[:-1])))

    def _stone(self, told: str) -> Tombstone | None:
        return _kept(self._found, told, lambda one: self._stones.get(self._known.fingerprint("text", one)))


def changed_json(text: str, change: Change) -> str:
    """JSON with each text in it changed, as it was to the byte where none is; what is no JSON is changed as a text."""
    try:
        told = json.loads(text)
        after = changed_values(told, change)
        return text if after == told else json.dumps(after, ensure_ascii=False, separators=(",", ":"))
    except (ValueError, RecursionError):  # a note of brackets alone is no JSON of ours either
        return change(text)


def changed_values(told: Any, change: Change) -> Any:
    """Nested lists and dictionaries with each text in them changed, keys too."""
    if isinstance(told, str):
        return change(told)
    if isinstance(told, list):
        return [changed_values(one, change) for one in told]
    if isinstance(told, dict):
        return {change(key): _under(key, one, change) for key, one in told.items()}
    return told


def driver_changed(driver_id: str, change: Change) -> str:
    """A driver's id by itself passed through a function for texts: as after the word, so that a short one is found."""
    return change(f"driver_id={driver_id}").removeprefix("driver_id=")


def _under(key: str, value: Any, change: Change) -> Any:
    if key in DRIVER_COLUMNS and isinstance(value, str):
        return driver_changed(value, change)
    return changed_values(value, change)


def without_texts(table: pa.Table, name: str, forgetter: Forgetter, *, own: bool = False) -> pa.Table:
    """The table with a text column cleaned; the very table where nothing changes. ``own``: all rows are his."""
    place = table.schema.get_field_index(name)
    column = table.column(place)
    texts = [one for one in pc.unique(column).to_pylist() if one is not None]
    new = forgetter.texts(texts, name)
    if own:
        new = {one: told for one in texts if (told := forgetter.own_name(one)) != one}
    if not new:
        return table
    codes = pc.index_in(column, value_set=pa.array(list(new), pa.string()))
    cleaned = pc.coalesce(pc.take(pa.array(list(new.values()), pa.string()), codes), column)
    return table.set_column(place, table.schema.field(place), cleaned)


def forgotten_rows(table: pa.Table, name: str, forgetter: Forgetter) -> pa.ChunkedArray:
    """Which rows have a forgotten id in a column of drivers."""
    column = table.column(name)
    known = [one for one in pc.unique(column).to_pylist() if one is not None and forgetter.knows(one)]
    return pc.is_in(column, value_set=pa.array(known, column.type))


def _listed(cell: str) -> list[str]:
    """The cell, and each run of parts of it if it is a list of ids: an id may hold what stands between others."""
    marks = [found.span() for found in _BETWEEN_IDS.finditer(cell)]
    begins, ends = [0, *(stop for _, stop in marks)], [*(start for start, _ in marks), len(cell)]
    runs = [cell[begins[first] : end] for first in range(len(begins)) for end in ends[first : first + _MOST_PARTS]]
    return [cell, *(one for one in runs if one.strip())]


def _overlaps(span: tuple[int, int], taken: list[tuple[int, int]]) -> bool:
    return any(start < span[1] and span[0] < stop for start, stop in taken)


def _within(span: tuple[int, int], kept: list[tuple[int, int]]) -> bool:
    return any(start <= span[0] and span[1] <= stop for start, stop in kept)


def _any_of(ids: Iterable[str]) -> re.Pattern[str] | None:
    """Finds the ids as whole words, the longest first."""
    listed = sorted(filter(None, ids), key=lambda one: (-len(one), one))
    return re.compile(rf"(?<![^\W_])(?:{'|'.join(map(re.escape, listed))})(?![^\W_])") if listed else None


def _kept(cache: dict[str, V], key: str, ask: Callable[[str], V]) -> V:
    """The answer from the cache, which is emptied before it grows without end."""
    try:
        return cache[key]
    except KeyError:
        if len(cache) >= _MOST_KEPT:
            cache.clear()
        answer = cache[key] = ask(key)
        return answer
