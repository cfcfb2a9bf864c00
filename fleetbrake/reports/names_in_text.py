"""Drivers' ids inside free text: found and replaced, whatever else the text says."""

import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Final

from fleetbrake.core.folded_text import AFTER_DRIVER, BEFORE, SEPARATOR, fold_text, in_word
from fleetbrake.reports.own_words import OWN_CODES, OWN_WORDS

#: An id of digits alone counts from this length on wherever it stands; own choice: row numbers and years are shorter.
_TELLING_DIGITS: Final = 6
#: A shorter id that is no number counts from this length on; own choice.
_TELLING_LENGTH: Final = 3
#: A folder or file named after a driver, whether or not a table knows the id: a file that was rejected names some.
_NAMED_FOLDER: Final = re.compile(r"(?<![^\W_])(driver(?:_?id)?=)([^/\\;,&\s]+)", re.IGNORECASE)
#: A separator that does not stand between two digits.
_SEPARATOR_OF_NO_DIGITS: Final = re.compile(rf"(?<!\d){SEPARATOR}|{SEPARATOR}(?!\d)")


class NamesInText:
    """Replaces every listed id that stands alone in a text, the longest first: ``NamesInText(ids, alias)(text)``.

    Letters match whatever their case; blanks, ``_``, dashes and dots, one or several, match each other; a plural s may
    follow: ``VH-D05`` is found in ``vh d05`` and ``VH_D05s``. Marks of no width do not hide an id. One of letters and
    digits is also found without its separators, with others, or with ``/``: ``VHD05``, ``VHD-05``, ``VH/D05``.

    An id that is a short number, has one or two letters, or is a word of our own sentences ("the", "wheel", see
    :mod:`fleetbrake.reports.own_words`) is replaced after the word "driver" only: else every sentence would fall apart.
    One made of separators alone is never found in a text. After ``driver_id=`` in a path anything is taken for an id.

    Fast for many ids: the text is looked up piece by piece in a table, its length counts and not the number of ids.
    """

    def __init__(self, ids: Iterable[str], alias: Callable[[str], str]) -> None:
        self._alias = alias
        self._ids: dict[str, list[str]] = {}
        for one in sorted(set(ids)):
            key = fold_text(one)[0].strip(SEPARATOR)
            if key:
                self._ids.setdefault(key, []).append(one)
        self._lengths = sorted({len(key) for key in self._ids}, reverse=True)
        self._joined = _joined_forms(self._ids)
        self._joined_begin = {form[0] for form in self._joined}
        self._longest_joined = max(map(len, self._joined), default=0)
        self._given: set[str] = set()

    def __call__(self, text: str) -> str:
        """The text with aliases; without a listed id the text itself."""
        if not self._ids:
            return text
        told, aliases_at = self._replaced(text)
        return _NAMED_FOLDER.sub(lambda found: self._named(found, aliases_at), told)

    def _replaced(self, text: str) -> tuple[str, list[int]]:
        """The text with an alias for each listed id, and the places at which the aliases begin in it."""
        pieces: list[str] = []
        begins: list[int] = []
        done = length_told = 0
        found = standing_alone(text, self._lengths, self._ids.__contains__, AFTER_DRIVER, self._joined_at)
        for key, first, stop in found:
            one = self._meant(key, text[first:stop])
            start = max(done, first - _lead(one, text[:first]))
            begins.append(length_told + start - done)
            pieces += [text[done:start], self._called(one)]
            length_told = begins[-1] + len(pieces[-1])
            done = stop
        return "".join([*pieces, text[done:]]), begins

    def _joined_at(self, folded: str, at: int, announced: bool) -> int:
        """Length of the longest id that begins here with other separators than its own, or none; 0 if there is none."""
        if folded[at] not in self._joined_begin:
            return 0
        length = 0
        words: list[str] = []
        for word, end in _words_from(folded, at, self._longest_joined):
            words.append(word)
            # "a 30" is no id A30, and "row 104" none; other letters that stand alone belong to ids
            ours = any(one in OWN_WORDS and (len(one) > 1 or one == "a") for one in words)
            if ours and len(words) > 1 and not announced:
                break
            for stop in (end, end - 1) if word.endswith("s") else (end,):
                if _joined(folded[at:stop]) in self._joined:
                    length = stop - at
                    break
        return length

    def _called(self, one: str) -> str:
        alias = self._alias(one)
        self._given.add(alias)
        return alias

    def _meant(self, key: str, written: str) -> str:
        """Of ids that differ in case or separators alone the one that is written, else the first of them."""
        same = self._ids.get(key) or self._joined[_joined(key)]
        return next((one for one in same if one.strip() == written), same[0])

    def _named(self, found: re.Match[str], aliases_at: list[int]) -> str:
        """A folder that is named after a driver; one that has its alias already stays."""
        name, dot, ending = found[2].partition(".")
        first = bisect_left(aliases_at, found.start(2))
        told = first < len(aliases_at) and aliases_at[first] < found.end(2)
        if told or not name or name in self._given:
            return found[0]
        return f"{found[1]}{self._called(name)}{dot}{ending}"


def standing_alone(
    text: str,
    lengths: Sequence[int],
    known: Callable[[str], bool],
    after: re.Pattern[str],
    joined_at: Callable[[str, int, bool], int] | None = None,
) -> Iterator[tuple[str, int, int]]:
    """Folded ids that are no part of a longer word, the longest first, with their begin and end in the text.

    ``lengths``: how long folded ids are, the longest first; ``known``: whether a folded text is one; ``after``: what
    must stand before one that could be a word or number of our own; ``joined_at``: the length of an id that begins at a
    place of the folded text in another form.
    """
    folded, places = fold_text(text)
    at = 0
    while at < len(folded):
        length = 0
        if _begins(folded, at):
            before = text[max(0, places[at] - BEFORE) : places[at]]
            announced = after.search(before) is not None
            length = next(_longest(folded, at, lengths, known, announced), 0)
            length = max(length, joined_at(folded, at, announced)) if joined_at is not None else length
        if length:
            yield folded[at : at + length], places[at], places[at + length - 1] + 1
        at += length or 1


def _longest(
    folded: str, at: int, lengths: Sequence[int], known: Callable[[str], bool], announced: bool
) -> Iterator[int]:
    """Lengths of the ids that begin here and are not part of a longer word."""
    for length in lengths:
        key = folded[at : at + length]
        if len(key) == length and known(key) and _ends(folded, at + length) and (announced or _telling(key)):
            yield length


def _words_from(folded: str, at: int, longest: int) -> Iterator[tuple[str, int]]:
    """The words from here on that a separator or ``/`` joins, with the end of each, while an id could be so long."""
    letters = 0
    begin = at
    while letters <= longest and begin < len(folded) and in_word(folded[begin]):
        end = begin + 1
        while end < len(folded) and in_word(folded[end]):
            end += 1
        letters += end - begin
        yield folded[begin:end], end
        if folded[end : end + 1] not in (SEPARATOR, "/"):
            return
        begin = end + 1


def _joined_forms(ids: Mapping[str, list[str]]) -> dict[str, list[str]]:
    """Ids by their letters and digits alone: those with both, found anywhere in a text, and no code of ours."""
    forms: dict[str, list[str]] = {}
    for key, same in ids.items():
        bare = key.replace(SEPARATOR, "").replace("/", "")
        both = bare.isalnum() and any(map(str.isdigit, bare)) and any(map(str.isalpha, bare))
        if both and _telling(key) and bare not in OWN_CODES:
            for form in {bare, _joined(key)}:
                forms.setdefault(form, []).extend(same)
    return forms


def _joined(key: str) -> str:
    """Without separators, but between digits: ``D-1 04`` is no D104."""
    return _SEPARATOR_OF_NO_DIGITS.sub("", key.replace("/", SEPARATOR))


def _begins(folded: str, at: int) -> bool:
    return folded[at] != SEPARATOR and (at == 0 or not in_word(folded[at - 1]))


def _ends(folded: str, at: int) -> bool:
    """Whether no word goes on here; the s of a plural may."""
    plural = folded[at : at + 1] == "s"
    return not in_word(folded[at : at + 1]) or (plural and not in_word(folded[at + 1 : at + 2]))


def _lead(driver_id: str, before: str) -> int:
    """Separators that the id itself begins with, if they stand before the place."""
    lead = driver_id[: len(driver_id) - len(driver_id.lstrip("-_. "))]
    return len(lead) if lead and before.endswith(lead) else 0


def telling(driver_id: str) -> bool:
    """Whether the id is found wherever it stands in a text, and not only after the word "driver"."""
    return _telling(fold_text(driver_id)[0].strip(SEPARATOR))


def _telling(key: str) -> bool:
    digits = key.replace(SEPARATOR, "")
    if digits.isdigit():
        return len(digits) >= _TELLING_DIGITS
    return len(key) >= _TELLING_LENGTH and key not in OWN_WORDS
